"""What sensors make of the truth: an offset, a little noise, and rounding to the bus's step."""

import numpy as np

from pipelines.simulation.physics import Floats
from pipelines.simulation.run import Track
from pipelines.simulation.scenario import Gateway

HIGHEST_KPA = 2000.0
RPM_NOISE = 6.0  # standard deviation of engine speed about its mean, one value a sample
SPEED_NOISE_KPH = 0.15


def quantised(values: Floats, step: float) -> Floats:
    """Round to whole steps, none below zero."""
    rounded: Floats = np.maximum(np.round(values / step), 0.0) * step
    return rounded


def readings(track: Track, gateway: Gateway, rng: np.random.Generator) -> dict[str, Floats]:
    """Give the columns that the gateway sends, named as in the message; NaN is 'not available'."""
    n = len(track.t_s)
    off = ~track.is_key_on
    supply, primary, secondary, _ = track.tanks_kpa
    pressures = {
        "supply_kpa": (supply, gateway.offsets_kpa[0]),
        "primary_kpa": (primary, gateway.offsets_kpa[1]),
        "secondary_kpa": (secondary, gateway.offsets_kpa[2]),
        "trailer_kpa": (track.line_kpa, gateway.offsets_kpa[3]),
        "application_kpa": (track.applied_kpa, 0.0),
    }
    out: dict[str, Floats] = {}
    for name, (true_kpa, offset_kpa) in pressures.items():
        if name in gateway.columns:
            noise = rng.normal(0.0, gateway.noise_steps * gateway.step_kpa, n)
            seen = np.where(true_kpa > 1.0, true_kpa + offset_kpa + noise, 0.0)
            out[name] = quantised(np.minimum(seen, HIGHEST_KPA), gateway.step_kpa)
    rpm = track.engine_rpm
    rpm = np.where(rpm > 0.0, quantised(rpm + rng.normal(0.0, RPM_NOISE, n), gateway.rpm_step), 0.0)
    out["engine_rpm"] = np.where(off, np.nan, rpm) if gateway.is_rpm_null_when_off else rpm
    speed = track.speed_kph + rng.normal(0.0, SPEED_NOISE_KPH, n)
    out["speed_kph"] = np.where(track.speed_kph > 1.0, quantised(speed, gateway.speed_step_kph), 0.0)
    out["ambient_c"] = np.round(track.ambient_c * 2.0) / 2.0
    out["park_brake"] = track.is_parked.astype(float)
    out["service_brake"] = (track.applied_kpa > 15.0).astype(float)  # noqa: PLR2004 - stop-lamp switch, about 2 psi
    out["low_air_warning"] = np.where(off, np.nan, track.is_warning.astype(float))
    out["compressor_loaded"] = np.where(rpm > 0.0, track.is_loaded.astype(float), np.nan)
    if gateway.null_share > 0.0:
        for name in ("primary_kpa", "secondary_kpa", "engine_rpm"):
            out[name] = np.where(rng.random(n) < gateway.null_share, np.nan, out[name])
    return {name: out[name] for name in gateway.columns}
