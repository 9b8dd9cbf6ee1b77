"""The worker of the structured source: Hypothesis draws messages of every stream and encoding.

Run as a process of its own by `tests.fuzz.supervise`, since a payload may end it.
"""

from pathlib import Path

from hypothesis import HealthCheck, Phase, given, seed, settings

from airwatch.contract.message import RawMessage
from tests.fuzz.campaign import Campaign
from tests.fuzz.generators.messages import KINDS
from tests.fuzz.in_flight import InFlight
from tests.fuzz.worker import IN_FLIGHT, Order, order_of_command_line, write_report

_ROUND = 1000  # examples of one kind drawn in one go; Hypothesis keeps what it drew in memory until the end of it


def draw(kind: str, n: int, seed_: int, campaign: Campaign) -> None:
    """Offer ``n`` messages of a kind or, where there are no so many different ones, a few less."""

    @seed(seed_)
    @settings(
        max_examples=n,
        phases=[Phase.generate],
        database=None,
        deadline=None,
        suppress_health_check=[*HealthCheck],
    )
    @given(KINDS[kind])
    def offer(message: RawMessage) -> None:
        campaign.offer(message)

    offer()


def run(order: Order) -> None:
    """Offer the payloads of an order, a round of each kind after the other, and write the report after each."""
    with InFlight(Path(order.folder) / IN_FLIGHT) as in_flight:
        campaign = Campaign(Path(order.folder), Path(order.findings), in_flight, seed=order.seed, first=order.first)
        kinds = [*KINDS]
        size = max(1, min(_ROUND, order.n_payloads // len(kinds)))
        number = 0
        while (left := order.n_payloads - campaign.report.n_payloads) > 0:
            draw(kinds[number % len(kinds)], min(size, left), order.seed * 1_000_003 + number, campaign)
            number += 1
            write_report(order, campaign.report)
        campaign.close()
    write_report(order, campaign.report)


if __name__ == "__main__":
    run(order_of_command_line())
