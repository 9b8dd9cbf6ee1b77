"""`leak_static`, `leak_released` and `leak_applied`: how fast a tank loses air with the engine off."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.contract.columns import TIME
from airwatch.derive.decay import Cooling, Fit, fit_decay
from airwatch.derive.drawn import GAMMA, Warmth, warmth
from airwatch.derive.frames import RUN_SAMPLES, TANKS, UNIT, as_measured, floats, require, tank_pressures
from airwatch.derive.holds import STATES, Holds, find_holds
from airwatch.derive.occupancy import occupancy
from airwatch.derive.sensor import coarsest_steps
from airwatch.derive.tuning import Leak, shipped_tuning
from airwatch.limits.judge import REFERENCE_KPA
from airwatch.limits.units_of_measure import ATMOSPHERE_KPA

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_KELVIN = 288.0  # about what tanks have; a degree either way is a third of a per cent
_LONGEST_TAUS, _LEAST_SD = 8.0, 1e-6
_PER_LOG = 60.0 * (REFERENCE_KPA + ATMOSPHERE_KPA)


def leak_readings(
    samples: pl.DataFrame,
    runs: pl.DataFrame,
    tuning: Leak | None = None,
    kpa_of: Mapping[str, Floats] | None = None,
) -> pl.DataFrame:
    """Give one reading for each tank in each hold.

    Through an orifice to the air, choked above about 90 kPa gauge, mass flow is proportional to absolute pressure, so
    absolute pressure decays exponentially; that rate is the leak, whatever the pressure. It is given as the fall at
    690 kPa gauge. Gas that cools after a pump-up loses pressure as if it leaked: how warm it was is fitted with what
    is known of it beforehand, so a short hold soon after the engine stopped has a wide interval and a long one has not.
    Likewise gas that a brake application chilled as it took air, which warms again and hides a leak.
    Outside temperature, where it is sent, is taken out by the ideal gas law with the tank's delay.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    runs : DataFrame
        As `airwatch.derive.runs.run_table` gives it.
    kpa_of : mapping, optional
        As `airwatch.derive.frames.tank_pressures` gives it of these samples, where the caller has it already.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`; kPa/min, positive for a fall, with 95 % intervals. ``start`` and
        ``end`` are the first and last sample that were used.

    Raises
    ------
    FrameError
        A column is missing or of another type.

    References
    ----------
    Choked flow and isothermal decay: gas-dynamics handbooks. Interval-censored regression: statistics handbooks.
    """
    require(samples, RUN_SAMPLES, "leak_readings")
    tuning = tuning or shipped_tuning().leak
    holds = find_holds(samples, tuning)
    settled = np.flatnonzero(holds.t_s >= holds.skip_s[holds.of])
    kpa_of = kpa_of or tank_pressures(samples)
    is_sent = samples["ambient_c"].null_count() < samples.height
    t_us = samples["t"].to_physical().to_numpy()
    celsius = floats(samples["ambient_c"].gather(holds.row)) if is_sent else None
    found = (_tank(t_us, kpa_of, celsius, holds, settled, tank, tuning) for tank in TANKS)
    parts = [part for part in found if part.height]
    if not parts:
        return as_measured(pl.DataFrame({name: [] for name in UNIT}))
    return (
        pl.concat(parts)
        .join(runs.select("run", *UNIT, "run_start", coupled="trailer"), on="run", how="left", maintain_order="left")
        .with_columns(pl.coalesce("trailer", "coupled").alias("trailer"), measure=pl.lit("kPa/min"))
        .pipe(as_measured)
    )


def _tank(
    t_us: Ints,
    kpa_of: Mapping[str, Floats],
    celsius: Floats | None,
    holds: Holds,
    settled: Ints,
    tank: str,
    tuning: Leak,
) -> pl.DataFrame:
    """Measure one tank in each hold.

    ``t_us`` are the times of all samples, ``celsius`` is the outside temperature at the samples of holds, and
    ``settled`` are the places of those that are used.
    """
    pressure = kpa_of.get(tank)
    if pressure is None:
        return pl.DataFrame()
    kpa = pressure[holds.row[settled]]
    known = np.flatnonzero(kpa >= tuning.least_kpa)  # NaN, not sent, is not
    kpa, known = kpa[known], settled[known]
    of, t_s = holds.of[known], holds.t_s[known]
    if known.size == 0:
        return pl.DataFrame()
    starts = np.append(0, np.flatnonzero(of[1:] != of[:-1]) + 1)
    sizes = np.diff(starts, append=of.size)
    hold = of[starts]
    step = coarsest_steps(kpa, starts)
    level = np.round(kpa / np.repeat(step, sizes))
    first_s, last_s = t_s[starts], t_s[starts + sizes - 1]
    is_hold = (sizes >= tuning.fewest_samples) & (last_s - first_s >= tuning.shortest_s * 0.6)
    is_hold &= _is_one_fall(level, t_s, step, starts, sizes, tuning)
    keep = np.repeat(is_hold, sizes)
    record = np.repeat(np.cumsum(is_hold) - 1, sizes)[keep]
    hold, step, first_s, last_s = hold[is_hold], step[is_hold], first_s[is_hold], last_s[is_hold]
    if hold.size == 0:
        return pl.DataFrame()
    cells = occupancy(
        record,
        t_s[keep],
        level[keep],
        per_level=tuning.blocks_per_step,
        least=tuning.blocks_least,
        most=tuning.blocks_most,
    )
    weather, is_sent = _weather(celsius, holds, hold, first_s, last_s, tuning)
    hours = (last_s - first_s) / 3600.0
    k_per_h = np.where(
        is_sent, tuning.known_drift_k_per_h, np.minimum(tuning.drift_k_per_h, tuning.drift_most_k / hours)
    )
    first = holds.row[known[starts[is_hold]]]
    off_s = holds.off_s[hold] + first_s
    gas = warmth(t_us, pressure, holds.run_first[hold], first, first_s, off_s, last_s - first_s, step, tuning)
    is_applied = holds.state[hold] == STATES.index("leak_applied")
    is_open = ~gas.is_seen & is_applied & (first_s < tuning.draw_settled_s)
    wall = _cooling(holds.off_s[hold], tuning.wall_tau_s, tuning.warm_share, tuning.warm_sd_share)
    wall = _warmed(wall, gas.wall, first_s, tuning)
    shape_sd = tuning.wall_tau_doubt * np.abs(wall.warm) * _cooled(first_s, last_s, wall.tau_s)
    since = np.exp(np.minimum(first_s / tuning.gas_tau_s, _LONGEST_TAUS))
    own = _gas(gas, is_applied, off_s, first_s, since, tuning)
    draw_sd = tuning.draw_tau_doubt * np.abs(own.warm) * _cooled(first_s, last_s, own.tau_s)
    drift_sd = np.sqrt((k_per_h / _KELVIN / 3600.0) ** 2 + (0.2 * weather) ** 2 + shape_sd**2 + draw_sd**2)
    fit = fit_decay(cells, step, [own, wall], drift_sd, tuning.relative_sd, tuning.usual_kpa_per_min / _PER_LOG)
    return _frame(holds, hold, tank, fit, weather, first_s, last_s, level[keep] * step[record], record, is_open)


def _cooling(off_s: Floats, tau_s: float, share: float, sd_share: float) -> Cooling:
    """Give what is left, where each hold begins, of the warmth that the gas had as the engine stopped."""
    left = np.exp(-off_s / tau_s)
    return Cooling(share * left, sd_share * np.maximum(left, 1e-4), tau_s, np.zeros(off_s.size))


def _warmed(wall: Cooling, warm: Floats, first_s: Floats, tuning: Leak) -> Cooling:
    """Add to a wall's warmth what the gas gave it until ``first_s``, and what a leak goes on to take from it."""
    since = np.exp(first_s / wall.tau_s)
    chill_s = (GAMMA - 1.0) * wall.tau_s / tuning.heat_of_wall * since
    return replace(wall, warm=wall.warm + warm * since, chill_s=chill_s)


def _gas(
    gas: Warmth, is_applied: npt.NDArray[np.bool_], off_s: Floats, first_s: Floats, since: Floats, tuning: Leak
) -> Cooling:
    """Give what of the gas' warmth will go, as it was where each hold began.

    Of what was not seen, no more can be left than of the warmth as the engine stopped; a pedal that was on already may
    have taken a full application.
    """
    unseen = np.minimum(gas.unseen, np.exp(-off_s / tuning.gas_tau_s))
    pedal = tuning.draw_unknown_share * np.where(is_applied, gas.unseen, 0.0)
    floor = tuning.warmth_least_sd * np.exp(-first_s / tuning.gas_tau_s)
    sd = np.sqrt(gas.sd**2 + floor**2 + (tuning.gas_sd_share * unseen) ** 2 + pedal**2)
    warm = gas.share * (1.0 - tuning.warmth_wall_share) + tuning.gas_share * unseen
    # the warmth that was read holds what the leak itself had chilled the gas by; that will not go
    chill_s = (GAMMA - 1.0) * tuning.gas_tau_s * (1.0 - gas.unseen) * since
    return Cooling(warm * since, np.maximum(sd * since, _LEAST_SD), tuning.gas_tau_s, chill_s)


def _cooled(first_s: Floats, last_s: Floats, tau_s: float) -> Floats:
    """Give the mean rate at which warmth of 1 goes between two times, 1/s."""
    rate: Floats = (np.exp(-first_s / tau_s) - np.exp(-last_s / tau_s)) / (last_s - first_s)
    return rate


def _is_one_fall(
    level: Floats, t_s: Floats, step: Floats, starts: Ints, sizes: Ints, tuning: Leak
) -> npt.NDArray[np.bool_]:
    """Say which records are one steady fall: no air came in, and none was let out at once.

    Means over blocks of time leave out noise; they are held against a straight line, give or take what gas that cools
    and weather can do.
    """
    n, n_blocks = starts.size, tuning.blocks_least
    lasted = t_s[starts + sizes - 1] - t_s[starts]
    since_s = t_s - np.repeat(t_s[starts], sizes)
    block = (since_s * np.repeat(n_blocks * (1 - 1e-9) / np.maximum(lasted, 1e-9), sizes)).astype(np.int64)
    block += np.repeat(np.arange(n) * n_blocks, sizes)
    count = np.bincount(block, minlength=n * n_blocks).reshape(n, -1)
    some, used = np.maximum(count, 1), count > 0
    x, y = (np.bincount(block, of, minlength=n * n_blocks).reshape(n, -1) / some for of in (since_s, level))
    mean_x = (x * used).sum(axis=1) / used.sum(axis=1)
    mean_y = (y * used).sum(axis=1) / used.sum(axis=1)
    dx, dy = (x - mean_x[:, None]) * used, (y - mean_y[:, None]) * used
    slope = (dx * dy).sum(axis=1) / np.maximum((dx * dx).sum(axis=1), 1e-9)
    off = np.where(used, dy - slope[:, None] * dx, np.nan)
    off_line = np.nanmax(np.abs(off), axis=1)
    for k in range(1, off.shape[1]):  # a block without samples is as the one before
        off[:, k] = np.where(used[:, k], off[:, k], off[:, k - 1])
    jump = np.abs(off[:, 2:] - off[:, :-2]).max(axis=1)  # what happens inside a block shows over two
    kpa = mean_y * step + ATMOSPHERE_KPA
    # an exponential leaves its chord by an eighth of the square of its fall
    bow = (slope * lasted * step) ** 2 / kpa / 4.0
    thermal = tuning.unsteady_thermal_share * kpa
    is_straight = off_line * step <= tuning.unsteady_steps * step + thermal + bow
    is_smooth = jump * step <= tuning.unsteady_steps * step + thermal / 2.0 + bow
    one_fall: npt.NDArray[np.bool_] = is_straight & is_smooth
    return one_fall


def _weather(
    celsius: Floats | None, holds: Holds, hold: Ints, first_s: Floats, last_s: Floats, tuning: Leak
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Give the rate at which the weather lowers the logarithm of pressure, 1/s, and whether its temperature is sent."""
    rate, is_sent = np.zeros(hold.size), np.zeros(hold.size, dtype=bool)
    if celsius is None:
        return rate, is_sent
    low, high = np.searchsorted(holds.of, hold), np.searchsorted(holds.of, hold, side="right")
    for i in range(hold.size):
        air = celsius[low[i] : high[i]]
        is_known = ~np.isnan(air)
        if not is_known.any():
            continue
        is_sent[i] = True
        t = holds.t_s[low[i] : high[i]][is_known]
        # the tank has now what the air had a while ago; before the hold began nothing changed
        ends = np.interp([first_s[i] - tuning.lag_s, last_s[i] - tuning.lag_s], t, air[is_known])
        rate[i] = -(ends[1] - ends[0]) / _KELVIN / (last_s[i] - first_s[i])
    return rate, is_sent


def _frame(
    holds: Holds,
    hold: Ints,
    tank: str,
    fit: Fit,
    weather: Floats,
    first_s: Floats,
    last_s: Floats,
    kpa: Floats,
    record: Ints,
    is_open: npt.NDArray[np.bool_],
) -> pl.DataFrame:
    """Lay the readings out; where ``is_open``, without an interval."""
    starts = np.searchsorted(record, np.arange(hold.size))
    ends = np.append(starts[1:], record.size) - 1
    start_us = holds.start_us[hold]
    return pl.DataFrame(
        {
            "run": pl.Series(holds.run[hold], dtype=pl.UInt32),
            "trailer": holds.trailer.gather(hold),
            "circuit": pl.Series([tank] * hold.size, dtype=pl.String),
            "check": pl.Series([STATES[state] for state in holds.state[hold]], dtype=pl.String),
            "start": pl.Series(start_us + np.round(first_s * 1e6).astype(np.int64)).cast(TIME),
            "end": pl.Series(start_us + np.round(last_s * 1e6).astype(np.int64)).cast(TIME),
            "value": (fit.rate - weather) * _PER_LOG,
            "lower": (fit.lower - weather) * _PER_LOG,
            "upper": (fit.upper - weather) * _PER_LOG,
            "first_kpa": kpa[starts],
            "last_kpa": kpa[ends],
            "minutes": (last_s - first_s) / 60.0,
            "is_open": is_open,
        }
    ).with_columns(
        pl.when(~pl.col("is_open")).then(pl.col("lower", "upper")),
        note=pl.format(
            "{} min, {} to {} kPa{}",
            pl.col("minutes").round(1),
            pl.col("first_kpa").cast(pl.Int64),
            pl.col("last_kpa").cast(pl.Int64),
            pl.when("is_open").then(pl.lit("; what the application took was not seen")).otherwise(pl.lit("")),
        ),
    )


def leak_static_readings(samples: pl.DataFrame, runs: pl.DataFrame, tuning: Leak | None = None) -> pl.DataFrame:
    """Give the readings of parked holds alone; see `leak_readings`."""
    return leak_readings(samples, runs, tuning).filter(check="leak_static")
