"""The report on the compressor rows as text and as a figure, beside what published work says."""

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from pipelines.evaluation.compressor_rows import (
    HEALTHY,
    CompressorReport,
    duty_edge_pct,
    fires_after_min,
    hour_share_pct,
)

PUBLISHED = """\
Read in stored copies; the figures are theirs and not checked here:
  - MetroPT data descriptor, DOI 10.1038/s41597-022-01877-3 (introduction): such failures are "typically undetectable"
    by predefined thresholds, and each takes the train out of service.
  - Rules for the 2022 set, arXiv 2502.07394 (abstract, and a summary by others): windows of 30 min; both failures found
    two hours before the low-pressure signal; a flow meter, which the 2020 set has not, tells most.
  - Sparse autoencoder with a low-pass filter on the Porto set, sol.sbc.org.br ENIAC article 25728 (abstract): the
    filter cut false positives up to 5.5 times and lost true ones; the choice of threshold rules the outcome.
  - A public notebook on this set (its description): share loaded over 24 h, edge 25 %; 10 to 15 % of a healthy day;
    failures 1 to 3 found 4.4 h after they began on average, failure 4 found 1.4 h before.
  - Public projects that classify rows or windows (their descriptions): precision and recall of 0.9 and more. Where rows
    of one failure are in training and in test, that says little of the next failure.
From memory, not read: DSAA 2021, DOI 10.1109/DSAA53316.2021.9564181: a sparse autoencoder on analogue signals foretells
the air leaks, and a low-pass filter keeps false alarms down; its figures are not remembered.
"""

LIMITS = """\
  - False alarms over months. 2 h 45 min hold four whole cycles: they can set an edge, not try it. Summaries of windows
    say what share of windows lies beyond an edge, not in which order, and not all that are labelled normal are sound.
  - Lead. Rows before F1 and F2 are missing, and both begin with the compressor loaded already. How a failure grew, and
    whether a rule would have fired before it was noticed, can't be seen. Every time above is after the begin.
  - Service. The stretch is the first hours of a Saturday. Doors, brakes and springs take air by day; the share in
    service is about twice that of the stretch, so an edge from it would fire all day. An edge needs days, not hours.
    The pump-up edge, the quickest here, can't be tried at all: air used meanwhile lengthens a pump-up, and summaries
    of windows don't tell how long one was.
  - Other units. One fall of another unit is all there is to hold the leak edge against.
  - The leak itself. A compressor that never unloads leaves no fall to measure. The loss while loaded is what the
    balance asks for; a compressor that delivers too little would look the same, and as gas is warm while it fills, it
    is a few per cent too high. In both failures the dryer's outlet is under pressure: air may leave there. Trucks
    send no such signal.
  - Labels. The list holds what was reported. Other days show as much as listed ones, so neither false nor right alarms
    can be counted against it with certainty.
  - Trucks. One unit with a motor, one make: nothing here says how many trucks would be found, or wrongly.
"""

_COLUMNS = {"share_pct": 24, "cycles_per_h": 18, "leak_kpa_per_min": 18, "loss_kpa_per_min": 18}
_TOLD_MIN = 0.5  # a shorter time not seen is not worth a word


def as_text(report: CompressorReport) -> str:
    """Lay the report out as plain text."""
    healthy = float(report.table.filter(stretch=HEALTHY)["share_pct"][0])
    soon_min = fires_after_min(duty_edge_pct(), healthy)
    return "\n".join(
        [
            "Air production unit of a metro train (MetroPT-3, UCI 791): real rows, rules set beforehand",
            "",
            *_measured_text(report),
            "",
            *_edges_text(report),
            "",
            *_fired_text(report),
            "An hour's share waits for an hour of rows, as those before are missing. Had the hour before been as",
            f"healthy, the shipped edge would be passed {soon_min:.0f} min after the compressor stopped unloading.",
            "",
            *_derived_text(report),
            "",
            *_summaries_text(report),
            "Published",
            PUBLISHED,
            "What these rows can't show",
            LIMITS,
        ]
    )


def _measured_text(report: CompressorReport) -> list[str]:
    names = ("loaded, %", "cycles/h", "leak", "loss while loaded")
    heads = "".join(f"{name:<{width}}" for name, width in zip(names, _COLUMNS.values(), strict=True))
    lines = [f"{'stretch':<28}{'hours':>6}  {heads}".rstrip()]
    for row in report.table.iter_rows(named=True):
        cells = "".join(f"{_cell(row, name):<{width}}" for name, width in _COLUMNS.items())
        lines.append(f"{row['stretch']:<28}{row['hours']:>6.2f}  {cells}".rstrip())
    lines.append(
        "Leak and loss in kPa/min at 690 kPa gauge; 95 % intervals; '-' where there is nothing to measure it by."
    )
    lines += [
        f"{row['stretch']}: the logger stood for {row['standstill_min']:.0f} min, left out; times of rows are rebuilt, "
        f"and {row['unseen_min']:.0f} min are not accounted for."
        for row in report.table.iter_rows(named=True)
        if max(row["unseen_min"], row["standstill_min"]) > _TOLD_MIN
    ]
    return lines


def _cell(row: dict[str, float | None], name: str) -> str:
    value, low, high = (row[name + end] for end in ("", "_lower", "_upper"))
    return "-" if value is None or low is None or high is None else f"{value:.1f} ({low:.1f} to {high:.1f})"


def _edges_text(report: CompressorReport) -> list[str]:
    edges = report.edges
    mean, low, high = edges.delivery_kpa_per_min
    return [
        (
            f"Healthy edges, from {edges.n_pump_ups} pump-ups and {edges.n_falls} falls: pump-up {edges.pump_up_s:.0f} "
            f"s, share of an hour {edges.share_pct:.1f} %, leak {edges.leak_kpa_per_min:.1f} kPa/min."
        ),
        f"The compressor delivers {mean:.0f} ({low:.0f} to {high:.0f}) kPa/min. The shipped edge is any-duty-watch.",
    ]


def _fired_text(report: CompressorReport) -> list[str]:
    lines = [f"{'rule':<36}{'edge':>12}  fires, minutes after the first live row (after the first row)"]
    for (rule,), part in report.fired.group_by("rule", maintain_order=True):
        edge = f"{part['edge'][0]:.1f} {part['unit'][0]}"
        told = "; ".join(f"{row['stretch'].split(',')[0]}: {_when(row)}" for row in part.iter_rows(named=True))
        lines.append(f"{rule!s:<36}{edge:>12}  {told}")
    return lines


def _when(row: dict[str, object]) -> str:
    after, begin, late = (row[name] for name in ("after_min", "begin_min", "late_min"))
    if not (isinstance(after, float) and isinstance(begin, float) and isinstance(late, float)):
        return f"no ({row['note']})" if row["note"] else "no"
    return f"{after:.1f} ({begin:.1f})" + (f", or up to {late:.0f} later" if late > _TOLD_MIN else "")


def _derived_text(report: CompressorReport) -> list[str]:
    lines = ["The program's own checks of the same rows, the compressor's state reported or inferred from the pressure"]
    for row in report.table.iter_rows(named=True):
        for state in ("reported", "inferred"):
            own = report.derived.filter(stretch=row["stretch"], state=state)
            told = [
                f"{check['check']} {check['value']:.1f} ({check['lower']:.1f} to {check['upper']:.1f})"
                + _contradicted(check, row)
                for check in own.iter_rows(named=True)
            ]
            lines.append(f"  {row['stretch']}, {state}: {', '.join(told) or 'no reading'}")
    return lines


def _contradicted(check: dict[str, object], row: dict[str, float]) -> str:
    """Say where a reading of the share does not meet the counted one."""
    low, high = check["lower"], check["upper"]
    if check["check"] != "compressor_duty" or not (isinstance(low, float) and isinstance(high, float)):
        return ""
    is_met = low <= row["share_pct_upper"] and high >= row["share_pct_lower"]
    return "" if is_met else f" [counted: {row['share_pct']:.1f}]"


def _summaries_text(report: CompressorReport) -> list[str]:
    lines = [
        f"Windows of 42 min labelled normal, {row['rule']} {row['edge_pct']:.1f} %: {row['n_beyond']} of "
        f"{row['n_windows']} beyond, {row['beyond_pct']:.1f} % ({row['lower']:.1f} to {row['upper']:.1f}); "
        f"{row['n_all_loaded']} of them loaded throughout, {row['n_dryer']} of these with the dryer's outlet under "
        f"pressure. Median share {row['median_share_pct']:.1f} %, 95th percentile {row['p95_share_pct']:.1f} %; "
        f"{row['n_standstill']} standstills left out."
        for row in report.windows.iter_rows(named=True)
    ]
    if report.days.height:
        told = ", ".join(f"{date} ({kpa:.0f} kPa)" for date, kpa in report.days.iter_rows())
        lines.append(f"Days not listed whose mean dryer pressure reaches that of a listed one: {told}.")
    return [*lines, ""] if lines else []


def figure(report: CompressorReport) -> go.Figure:
    """Draw reservoir pressure and the hour's load share of the stretches, at most some 3,000 points each."""
    names = report.table["stretch"].to_list()
    fig = make_subplots(rows=2, cols=len(names), shared_xaxes=True, subplot_titles=names, vertical_spacing=0.06)
    for col, name in enumerate(names, start=1):
        rows = report.rows.filter(stretch=name)
        every = max(1, rows.height // 1500)
        for row, frame, column, colour in (
            (1, rows, "reservoir_kpa", "#3b6e8f"),
            (2, hour_share_pct(rows), "share_pct", "#c2571a"),
        ):
            thin = frame.gather_every(every)
            fig.add_scatter(
                x=(thin["t_s"] / 3600).to_list(), y=thin[column].to_list(), mode="lines", showlegend=False,
                line={"color": colour, "width": 1.5}, row=row, col=col,
            )  # fmt: skip
        for edge, dash in ((duty_edge_pct(), "dash"), (report.edges.share_pct, "dot")):
            fig.add_hline(y=edge, line={"dash": dash, "color": "#8a8a8a", "width": 1}, row=2, col=col)
        fig.update_xaxes(title_text="hours", row=2, col=col)
    fig.update_yaxes(title_text="reservoirs, kPa", range=[780, 1040], row=1, col=1)
    fig.update_yaxes(range=[780, 1040], row=1)
    fig.update_yaxes(title_text="loaded, % of the hour before", range=[0, 105], row=2, col=1)
    fig.update_yaxes(range=[0, 105], row=2)
    fig.update_layout(template="plotly_white", height=620, title="Dashed: shipped edge; dotted: healthy edge")
    return fig
