"""What the registry says of a unit, in words."""

from collections.abc import Mapping

from dashboards.measures import Measures


def registry_facts(row: Mapping[str, object] | None, measures: Measures) -> list[tuple[str, str]] | None:
    """Give name and text of each fact that is there; None for a unit that is not registered."""
    if row is None:
        return None
    cut_out = row["cut_out_kpa"]
    facts = [
        ("Kind", _text(row["kind"])),
        ("Home shop", _text(row["home_shop"])),
        ("Rule set", _text(row["rule_set"])),
        ("Axles", _text(row["axles"])),
        (
            "Tows a trailer",
            _yes_no(row["trailer_towing"]),
        ),
        ("Supply tank", _text(row["supply_l"], " l")),
        ("Primary tank", _text(row["primary_l"], " l")),
        ("Secondary tank", _text(row["secondary_l"], " l")),
        ("Required volume", _text(row["required_l"], " l")),
        ("Compressor", _text(row["compressor_cc"], " cm³ swept")),
        ("Governed speed", _text(row["governed_rpm"], " 1/min")),
        ("Cut-out, maker's value", measures.text(cut_out, "kPa") if isinstance(cut_out, float) else ""),
        ("Brake chambers", _text(row["chambers"]).replace(";", ", ").replace(":", " ")),
    ]
    return [(name, text) for name, text in facts if text]


def _text(value: object, suffix: str = "") -> str:
    if value is None:
        return ""
    return f"{value:g}{suffix}" if isinstance(value, float) else f"{value}{suffix}"


def _yes_no(value: object) -> str:
    return "" if value is None else "yes" if value else "no"
