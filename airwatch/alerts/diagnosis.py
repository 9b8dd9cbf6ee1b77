"""Which fault explains the holds of a unit: a likelihood over the table of signatures."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import gammaln

from airwatch.alerts.changes import Change, day_of
from airwatch.alerts.frames import by_unit, figure
from airwatch.alerts.holds import add_patterns
from airwatch.alerts.settings import Settings
from airwatch.alerts.signatures import Signature
from airwatch.contract.columns import TIME
from airwatch.derive.frames import UNIT

_TRAILER = "leak_trailer"
_SAYS = {
    "none": "no tank fell faster than usual",
    "primary": "only the primary tank fell",
    "secondary": "only the secondary tank fell",
    "both": "both brake tanks fell together",
    "supply": "the supply tank fell much faster than the brake tanks",
    "tank": "only the trailer's tank fell",
    "drops": "the supply tank fell quickly",
    "faster": "the supply tank fell much faster than when parked",
    "follows": "a brake tank went with the supply tank",
}
_WHEN = {
    "parked": "parked",
    "other": "parked or driving with another trailer or none",
    "released": "parking brake released, engine off",
    "applied": "brake held, engine off",
    "running": "engine running, compressor unloaded",
    "after_cut_out": "after cut-out",
}


@dataclass(frozen=True, slots=True)
class Explanation:
    """One way to explain what was seen, with its probability among all of them.

    ``evidence`` is one line for each state and pattern: what was seen, in how many holds, and how much it speaks for
    (positive) or against this explanation beside the best other one, as a natural logarithm of odds.
    """

    fault: str
    circuit: str | None
    trailer: str | None
    probability: float
    evidence: tuple[tuple[str, float], ...]
    says: str
    inspect: str


def explain(
    holds: pl.DataFrame,
    onsets: pl.DataFrame,
    settings: Settings,
    changes: Mapping[tuple[str, str], Change],
    running: pl.DataFrame,
) -> dict[tuple[str, str], list[Explanation]]:
    """Explain each unit's holds since the first sign of air loss.

    Parameters
    ----------
    holds : DataFrame
        As `airwatch.alerts.holds.hold_table` gives it.
    onsets : DataFrame
        ``fleet, unit, onset, last_sign, is_towing``; the times of the first and the last sign.
    settings : Settings
        Thresholds and signatures.
    changes : mapping
        By ``(fleet, unit)`` how the figure that rose most changed over the days.
    running : DataFrame
        ``fleet, unit, peers_primary, peers_secondary, peers_supply``: rates of units alike, engine running, kPa/min.

    Returns
    -------
    dict
        By ``(fleet, unit)`` all explanations, the likeliest first. Probabilities add up to 1.
    """
    begins = [
        _begin(row["onset"] - timedelta(days=settings.patterns.before_days), changes.get((row["fleet"], row["unit"])))
        for row in onsets.iter_rows(named=True)
    ]
    seen = _evidence(holds, onsets.with_columns(begins=pl.Series(begins, dtype=TIME)), settings, running)
    towing = {(row["fleet"], row["unit"]): bool(row["is_towing"]) for row in onsets.iter_rows(named=True)}
    groups = by_unit(seen)
    alone = {
        key: _weigh(group, settings, is_towing=towing[key], change=changes.get(key)) for key, group in groups.items()
    }
    shared = _shared_trailers(alone, settings)
    return {
        key: _weigh(groups[key], settings, is_towing=towing[key], change=changes.get(key), known=known)
        if (known := {trailer for trailer in shared.get(key[0], ()) if trailer in groups[key]["trailer"]})
        else explanations
        for key, explanations in alone.items()
    }


def _begin(at: datetime, change: Change | None) -> datetime:
    """Give from when on holds speak: none from before the days on which something changed."""
    if change is None or change.kind == "none":
        return at
    day = change.last_day if change.kind == "step" else change.first_day
    return max(at, day_of(day))


def _shared_trailers(alone: dict[tuple[str, str], list[Explanation]], settings: Settings) -> dict[str, set[str]]:
    """Give by fleet the trailers whose leak may explain what several units show: one fault is likelier than several."""
    least = settings.patterns.shared_least
    seen: dict[tuple[str, str], int] = {}
    for (fleet, _), explanations in alone.items():
        for e in explanations:
            if e.fault == _TRAILER and e.trailer is not None and e.probability >= least:
                seen[fleet, e.trailer] = seen.get((fleet, e.trailer), 0) + 1
    shared: dict[str, set[str]] = {}
    for (fleet, trailer), n in seen.items():
        if n > 1:
            shared.setdefault(fleet, set()).add(trailer)
    return shared


def _evidence(holds: pl.DataFrame, onsets: pl.DataFrame, settings: Settings, peers: pl.DataFrame) -> pl.DataFrame:
    """Give the holds that count, with pattern and weight."""
    p = settings.patterns
    begins = pl.col("begins")
    ends = pl.col("last_sign") + timedelta(days=p.before_days)  # what was mended since must not speak against it
    known = holds.join(onsets.select(*UNIT, "begins", "last_sign"), on=UNIT, how="inner", maintain_order="left")
    recent = known.filter(
        (pl.col("end") >= begins)
        & (pl.col("end") <= ends)
        & (pl.col("end") >= pl.col("last_sign") - timedelta(days=p.longest_days))
    )
    parked, released = (
        recent.filter(pl.col("state") == state)
        .group_by(*UNIT, "trailer")
        .agg(pl.col("primary", "secondary", "supply").median().name.prefix(f"{state}_"))
        for state in ("parked", "released")
    )
    usual = known.filter((pl.col("state") == "running") & (pl.col("end") < begins)).group_by(UNIT).agg(
        pl.col("primary", "secondary", "supply").median().name.prefix("running_"), n_before=pl.len()
    )  # fmt: skip
    drops = known.filter((pl.col("state") == "after_cut_out") & (pl.col("end") < begins)).group_by(UNIT).agg(
        drop_before=pl.col("supply").median(), n_drops=pl.len()
    )  # fmt: skip
    joined = (
        recent.join(parked, on=[*UNIT, "trailer"], how="left", nulls_equal=True, maintain_order="left")
        .join(released, on=[*UNIT, "trailer"], how="left", nulls_equal=True, maintain_order="left")
        .join(usual, on=UNIT, how="left", maintain_order="left")
        .join(drops, on=UNIT, how="left", maintain_order="left")
        .join(peers, on=UNIT, how="left", maintain_order="left")
        .with_columns(
            usual_drop=pl.when(pl.col("n_drops") >= p.fewest_drops)
            .then(pl.col("drop_before"))
            .fill_null(p.usual_drop_kpa_min)
        )
        .with_columns(
            pl.when(pl.col("n_before") > 1).then(pl.col(f"running_{t}")) for t in ("primary", "secondary", "supply")
        )
    )
    running = {
        "primary": pl.coalesce("running_primary", "peers_primary", pl.lit(p.running_usual_primary_kpa_min)),
        "secondary": pl.coalesce("running_secondary", "peers_secondary", pl.lit(p.running_usual_secondary_kpa_min)),
        "supply": pl.coalesce("running_supply", "peers_supply", pl.lit(p.running_usual_secondary_kpa_min)),
    }
    state = pl.col("state")
    with_usual = joined.with_columns(
        pl.when(state == "running").then(running[tank])
        .when(state == "applied")  # with the parking brake released, as a rule
        .then(pl.max_horizontal(f"parked_{tank}", f"released_{tank}").fill_null(0.0))
        .when((state == "released") | ((state == "after_cut_out") & (tank == "supply")))
        .then(pl.col(f"parked_{tank}").fill_null(0.0))
        .otherwise(0.0)
        .alias(f"usual_{tank}")
        for tank in ("primary", "secondary", "supply")
    )  # fmt: skip
    weight = pl.min_horizontal(1.0, p.a_day / pl.len().over(*UNIT, "state", "trailer", pl.col("end").dt.date()))
    return add_patterns(with_usual, p).with_columns(weight=weight).sort(*UNIT, "end")


def _weigh(
    seen: pl.DataFrame,
    settings: Settings,
    *,
    is_towing: bool,
    change: Change | None,
    known: Collection[str] = (),
) -> list[Explanation]:
    rows = [
        _Seen(*row)
        for row in seen.group_by("state", "trailer", "pattern")
        .agg(pl.col("weight").sum(), n=pl.len())
        .sort("state", "trailer", "pattern")
        .iter_rows()
    ]
    suspects = [t for t in seen["trailer"].unique().sort().to_list() if t is not None]
    if is_towing and not suspects:
        suspects = [None]
    hypotheses: list[tuple[Signature, str | None]] = []
    for signature in settings.signature:
        if signature.fault == _TRAILER:
            hypotheses += [(signature, trailer) for trailer in suspects] if is_towing else []
        else:
            hypotheses.append((signature, None))
    table = np.array(
        [_log_chances(signature, suspect, rows, settings.patterns.alike) for signature, suspect in hypotheses]
    )
    traits = _traits(seen, change, [signature for signature, _ in hypotheses])
    scores = (
        table.sum(axis=1)
        + np.sum([chances for _, chances in traits], axis=0)
        + np.log([h[0].prior * (settings.patterns.shared_odds if h[1] in known else 1.0) for h in hypotheses])
    )
    shares = np.exp(scores - scores.max())
    shares /= shares.sum()
    # two ways in which one fault may show are one explanation: the likelier way speaks, with the sum of both
    ways: dict[tuple[str, str, str | None], list[int]] = {}
    for k in np.argsort(-shares, kind="stable").tolist():
        signature, suspect = hypotheses[k]
        ways.setdefault((signature.fault, signature.circuit, suspect), []).append(k)
    told = sorted(((float(shares[of].sum()), of[0]) for of in ways.values()), key=lambda each: -each[0])
    best, second = told[0][1], told[1][1]
    return [
        _explanation(
            *hypotheses[k],
            probability,
            _lines(hypotheses[k][0], rows, table[k] - table[other])
            + [(line, float(chances[k] - chances[other])) for line, chances in traits],
        )
        for probability, k in told
        for other in [second if k == best else best]
    ]


def _traits(
    seen: pl.DataFrame, change: Change | None, signatures: Sequence[Signature]
) -> list[tuple[str, npt.NDArray[np.float64]]]:
    """Give what else speaks for a fault: how much the supply tank loses, and how it came; log chances by signature."""
    traits = []
    supply = seen.filter((pl.col("state") == "parked") & (pl.col("pattern") == "supply"))["supply"].median()
    if isinstance(supply, float):
        spread = np.log([s.size_factor for s in signatures])
        off = (np.log(supply) - np.log([s.size_kpa_min for s in signatures])) / spread
        traits.append((f"the supply tank loses {figure(supply)} kPa/min when parked", -0.5 * off**2 - np.log(spread)))
    if change is not None and change.kind in ("step", "ramp"):
        ramp = np.array([s.ramp for s in signatures])
        is_ramp = change.kind == "ramp"
        said = "it grew over days" if is_ramp else "it came at once"
        traits.append((said, np.log(ramp if is_ramp else 1.0 - ramp)))
    return traits


@dataclass(frozen=True, slots=True)
class _Seen:
    """How often one pattern was seen in one state with one trailer; ``weight`` counts holds of one day less."""

    state: str
    trailer: str | None
    pattern: str
    weight: float
    n: int


def _log_chances(signature: Signature, suspect: str | None, rows: Sequence[_Seen], alike: float) -> list[float]:
    """Give for each row what it adds to the logarithm of the chance of all holds of a unit that has a fault.

    Units with one fault differ in how often they show each pattern, and a unit keeps to its own way: its shares are
    drawn once, about those of the signature (a Dirichlet distribution of concentration ``alike``), and its holds from
    them. So a hundred like holds say more than ten, but not ten times as much.

    References
    ----------
    Dirichlet-multinomial distribution: Johnson, Kotz and Balakrishnan, Discrete Multivariate Distributions, 1997,
    chapter 35 (from memory).
    """
    states = [_state_of(signature, suspect, row) for row in rows]
    of_state: dict[str, float] = {}
    of_pattern: dict[tuple[str, str], float] = {}
    for state, row in zip(states, rows, strict=True):
        of_state[state] = of_state.get(state, 0.0) + row.weight
        of_pattern[state, row.pattern] = of_pattern.get((state, row.pattern), 0.0) + row.weight
    whole = {state: gammaln(alike) - gammaln(alike + n) for state, n in of_state.items()}
    part = {
        (state, pattern): gammaln(alpha + n) - gammaln(alpha)
        for (state, pattern), n in of_pattern.items()
        if (alpha := alike * signature.share(state, pattern))
    }
    # of rows that are one pattern of one state to this fault, each has its part by weight
    return [
        row.weight * (whole[state] / of_state[state] + part[state, row.pattern] / of_pattern[state, row.pattern])
        for state, row in zip(states, rows, strict=True)
    ]


def _state_of(signature: Signature, suspect: str | None, row: _Seen) -> str:
    is_other = signature.fault == _TRAILER and suspect is not None and row.trailer != suspect
    return "other" if is_other and row.state != "after_cut_out" else row.state


def _lines(signature: Signature, rows: Sequence[_Seen], gains: npt.NDArray[np.float64]) -> list[tuple[str, float]]:
    lines: dict[str, tuple[int, float]] = {}
    for row, gain in zip(rows, gains, strict=True):
        which = f"{_WHEN[row.state]}{f', trailer {row.trailer}' if row.trailer and signature.fault == _TRAILER else ''}"
        line = f"{which}: {_SAYS[row.pattern]}"
        before = lines.get(line, (0, 0.0))
        lines[line] = before[0] + row.n, before[1] + float(gain)
    return [(f"{line}, {n} times", gain) for line, (n, gain) in lines.items()]


def _explanation(
    signature: Signature, suspect: str | None, probability: float, evidence: list[tuple[str, float]]
) -> Explanation:
    return Explanation(
        signature.fault,
        signature.circuit or None,
        suspect,
        probability,
        tuple(sorted(((line, round(gain, 2)) for line, gain in evidence), key=lambda e: -e[1])),
        signature.says,
        signature.inspect,
    )
