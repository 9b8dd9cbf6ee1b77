"""Failed attempts to sign in, counted so that guessing is slow; the counts outlive the program."""

import sqlite3
from collections.abc import Mapping

from airwatch.access.settings import Wait


def longest_wait_s(write: sqlite3.Connection, now: float, buckets: Mapping[str, Wait]) -> float:
    """Give how long an attempt that counts in these buckets has to wait; 0 if it may be made now."""
    waits = [0.0]
    for bucket, rule in buckets.items():
        row = write.execute("SELECT failed, last_s FROM attempts WHERE bucket = ?", [bucket]).fetchone()
        if row is not None:
            waits.append(rule.left_s(row["failed"], now - row["last_s"]))
    return max(waits)


def count_failure(write: sqlite3.Connection, now: float, buckets: Mapping[str, Wait]) -> None:
    """Count an attempt as failed; done before the password is looked at, so that many at once count, too."""
    for bucket, rule in buckets.items():
        write.execute(
            "INSERT INTO attempts (bucket, failed, last_s) VALUES (?1, 1, ?2) ON CONFLICT (bucket) DO UPDATE"
            " SET failed = CASE WHEN ?2 - last_s >= ?3 THEN 1 ELSE failed + 1 END, last_s = ?2",
            [bucket, now, rule.forget_s],
        )


def take_back(write: sqlite3.Connection, bucket: str) -> None:
    """Take back one count: the attempt succeeded."""
    write.execute("UPDATE attempts SET failed = failed - 1 WHERE bucket = ? AND failed > 0", [bucket])


def forget(write: sqlite3.Connection, bucket: str) -> None:
    """Begin anew with a bucket."""
    write.execute("DELETE FROM attempts WHERE bucket = ?", [bucket])


def clear_old(write: sqlite3.Connection, now: float, longest_s: float) -> None:
    """Drop counts that no rule looks at any more."""
    write.execute("DELETE FROM attempts WHERE last_s < ?", [now - longest_s])
