"""The second fleet keeps the contract, conserves air, and has the faults that its labels say."""

import csv
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from airwatch.contract.batch import DecodedBatch, decode_batch
from airwatch.contract.recordings import read_messages
from airwatch.registry import read_units
from tests.second_fleet import fleet as drawing
from tests.second_fleet.conditions import Conditions
from tests.second_fleet.fleet import Fleet, draw_fleet, label_rows
from tests.second_fleet.habits import draw_habits
from tests.second_fleet.kinds import DAY_S, KINDS, Fault, Floats, share_there
from tests.second_fleet.link import START
from tests.second_fleet.plant import PRIMARY, SECONDARY, SUPPLY, TRAILER, Asked, Plant
from tests.second_fleet.vehicles import ATM_KPA, HIGH_TEST_KPA, LOW_TEST_KPA, Habits
from tests.second_fleet.write import LABELS_HEADER, Recording, record, write

TANK = {"leak_supply": SUPPLY, "leak_primary": PRIMARY, "leak_secondary": SECONDARY, "leak_trailer": PRIMARY}


def _from_the_start(fault: Fault | None) -> Fault | None:
    return None if fault is None else replace(fault, began_s=0, ramp_s=1, onset="step")


class Bench:
    """Units that stand still while one asks of them what one wants; every fault is there from the start."""

    def __init__(self, kind: str = "", *, units: int = 12) -> None:
        kinds = [kind] if kind else []
        rng = np.random.default_rng(5)
        self.fleet = draw_fleet(rng, units=units, days=28, healthy=0 if kind else 1, kinds=kinds)
        for vehicle in self.fleet.vehicles:
            vehicle.leaks, vehicle.fault = (0.0, 0.0, 0.0), _from_the_start(vehicle.fault)
        for trailer in self.fleet.trailers:
            trailer.leak, trailer.fault = 0.0, _from_the_start(trailer.fault)
        self.n = units
        self.plant = Plant(self.fleet, rng)
        self._trailers = np.array([-1.0 if towed[0] is None else towed[0] for towed in self.fleet.towed])
        volume = np.array([t.tank_l for t in self.fleet.trailers] + [90.0])[self._trailers.astype(int)]
        self.plant.couple(np.arange(units), volume, np.full(units, 600.0), self._trailers >= 0)
        Conditions(self.fleet, self.plant).apply(np.full(units, 100.0), self._trailers)

    def fill(self, kpa: float) -> None:
        """Put the same pressure into every tank, at rest."""
        self.plant.body_c[:] = 20.0
        self.plant.excess_k[:] = 0.0
        self.plant.x_kpa[:] = kpa + ATM_KPA
        self.plant.kpa[:] = kpa * 293.15 / 293.15

    def run(self, seconds: int, *, step_s: float = 1.0, **asked: float) -> Floats:
        """Hold what is asked and give the tanks' pressures over time, kPa gauge, `(steps + 1, 4, n)`."""
        ones = np.ones(self.n)
        request = Asked(
            dt_s=ones * step_s,
            engine=ones * asked.get("engine", 0.0),
            rpm=asked.get("rpm", 0.0) * ones,
            pedal_kpa=asked.get("pedal", 0.0) * ones,
            park=ones * asked.get("park", 1.0) > 0,
            open=ones * asked.get("open", 0.0) > 0,
            draw_kpa_l=0 * ones,
            drain=0 * ones,
            ambient_c=20 * ones,
        )
        out = [self.plant.kpa.copy()]
        for _ in range(round(seconds / step_s)):
            self.plant.step(request)
            out.append(self.plant.kpa.copy())
        return np.array(out)

    def sizes(self) -> Floats:
        """Give each unit's size of its own or its trailer's fault."""
        both = zip(self.fleet.vehicles, self._trailers, strict=True)
        faults = [v.fault or self.fleet.trailers[int(tr)].fault for v, tr in both]
        return np.array([fault.size if fault else np.nan for fault in faults])


def rate_at_690(kpa: Floats, seconds: float) -> Floats:
    """Refer a fall of gauge pressure to 690 kPa, a leak's flow being in proportion to absolute pressure; kPa/min."""
    decay = np.log((kpa[0] + ATM_KPA) / (kpa[-1] + ATM_KPA)) / seconds * 60
    return np.asarray(decay * (690 + ATM_KPA))


@pytest.mark.parametrize("kind", ["leak_supply", "leak_primary", "leak_secondary", "leak_trailer"])
@pytest.mark.parametrize("step_s", [1.0, 10.0])
def test_a_static_leak_is_as_large_as_its_label(kind: str, step_s: float) -> None:
    bench = Bench(kind)
    bench.fill(760)
    bench.run(60, step_s=step_s, open=1)  # until the check valves' own drop is there
    kpa = bench.run(120, step_s=step_s, open=1)
    assert rate_at_690(kpa[:, TANK[kind]], 120) == pytest.approx(bench.sizes(), rel=0.03)


def test_a_leak_behind_the_pedal_flows_only_when_it_is_down() -> None:
    bench = Bench("leak_applied")
    bench.fill(790)
    bench.run(20, park=0)
    still = rate_at_690(bench.run(60, park=0)[:, [PRIMARY, SECONDARY]], 60)
    assert np.abs(still).max() < 1.5
    bench.run(20, park=0, pedal=1000)
    applied = rate_at_690(bench.run(60, park=0, pedal=1000)[:, [PRIMARY, SECONDARY]], 60).max(axis=0)
    assert applied == pytest.approx(bench.sizes(), rel=0.05)


def test_a_leak_behind_the_parking_valve_flows_only_when_it_is_released() -> None:
    bench = Bench("leak_released")
    bench.fill(790)
    assert np.abs(rate_at_690(bench.run(60)[:, PRIMARY], 60)).max() < 0.5
    bench.run(60, park=0)
    assert rate_at_690(bench.run(90, park=0)[:, PRIMARY], 90) == pytest.approx(bench.sizes(), rel=0.05)


def test_backflow_empties_the_supply_tank_alone_and_only_while_nothing_is_pumped() -> None:
    bench = Bench("supply_backflow")
    bench.run(1500, engine=1, rpm=1500)
    assert not bench.plant.loaded.all()
    bench.fill(860)
    kpa = bench.run(60)
    assert kpa[0, SUPPLY] - kpa[-1, SUPPLY] == pytest.approx(bench.sizes(), rel=0.04)
    assert kpa[0, PRIMARY] - kpa[-1, PRIMARY] == pytest.approx(0, abs=0.5)


def test_air_is_neither_made_nor_lost_between_tanks() -> None:
    bench = Bench()
    plant = bench.plant
    bench.fill(0)
    plant.x_kpa[:] = np.array([900.0, 500.0, 700.0, 300.0])[:, None]
    plant._measure(plant._ratio())
    mass = (plant.x_kpa * plant.volume_l).sum(axis=0)
    bench.run(120)
    assert (plant.x_kpa * plant.volume_l).sum(axis=0) == pytest.approx(mass, rel=1e-9)
    service = plant.kpa[[PRIMARY, SECONDARY]]
    assert (plant.kpa[SUPPLY] <= service.max(axis=0) + 10).all()
    bench.run(120, open=1)  # springs of the trailer take their part, and nothing else
    held = plant._in_trailer_springs
    assert (plant.x_kpa * plant.volume_l).sum(axis=0) == pytest.approx(mass - held, rel=2e-3)


def seconds_between(kpa: Floats, low: float, high: float) -> Floats:
    """Time a rise through two pressures, s; linear between steps of one second."""
    t = np.arange(len(kpa))
    return np.array([np.interp(high, one, t) - np.interp(low, one, t) for one in kpa.T])


def build_up(bench: Bench) -> Floats:
    """Fill from 450 kPa at governed speed and time 85 to 100 psi on the primary tank."""
    bench.fill(450)
    rpm = np.array([v.governed_rpm for v in bench.fleet.vehicles])
    kpa = bench.run(240, engine=1, rpm=rpm)  # type: ignore[arg-type]  # an array does as well
    return seconds_between(kpa[:, PRIMARY], LOW_TEST_KPA, HIGH_TEST_KPA)


def test_a_healthy_compressor_takes_12_to_20_s_and_a_weak_one_more_than_45() -> None:
    bench = Bench(units=30)
    usual = np.array([v.case != "oversize" for v in bench.fleet.vehicles])
    seconds = build_up(bench)
    assert ((seconds[usual] > 12) & (seconds[usual] < 20)).all()
    assert ((seconds[~usual] > 17) & (seconds[~usual] < 33)).all()
    assert (build_up(Bench("compressor_weak")) > 45).all()


def test_healthy_governors_and_faulty_ones() -> None:
    def turns(kind: str) -> tuple[Floats, Floats]:
        plant = Bench(kind).plant
        return plant.cut_out_kpa, plant.cut_in_kpa

    cut_out, cut_in = turns("")
    assert ((cut_out > 828) & (cut_out < 931) & (cut_in > 690)).all()
    assert ((cut_out - cut_in > 137) & (cut_out - cut_in < 173)).all()
    assert (turns("governor_cut_out_high")[0] > 1000).all()
    assert (turns("governor_cut_out_low")[0] < 759).all()
    cut_out, cut_in = turns("governor_short_cycling")
    assert ((cut_out - cut_in > 20) & (cut_out - cut_in < 56)).all()


@pytest.fixture(scope="module")
def small() -> Iterator[Recording]:
    """All faults once, some healthy units, three short days with every test."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(drawing, "draw_habits", _hurried)
        yield record(seed=3, units=22, days=3, healthy=5 / 22)


def _hurried(rng: np.random.Generator, *, kind: str, fault: str, case: str, governed_rpm: int) -> Habits:
    habits = draw_habits(rng, kind=kind, fault=fault, case=case, governed_rpm=governed_rpm)
    habits.work_s, habits.p_full, habits.key_off_stops = 600.0, 1.0, 0.3
    return habits


@pytest.fixture(scope="module")
def folder(small: Recording, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the same."""
    path = tmp_path_factory.mktemp("second") / "fleet"
    write(small, path)
    return path


@pytest.fixture(scope="module")
def decoded(folder: Path) -> DecodedBatch:
    """Read the same by the contract."""
    return decode_batch(read_messages(folder / "fleet.ndjson.zst"))


def test_every_message_keeps_to_the_contract(small: Recording, decoded: DecodedBatch, folder: Path) -> None:
    assert decoded.rejects.is_empty()
    received = [message.received_us for message in read_messages(folder / "fleet.ndjson.zst")]
    assert received == sorted(received)
    for vehicle, seen in zip(small.fleet.vehicles, small.seen, strict=True):
        n = samples_of(decoded, vehicle.unit).height
        assert n == seen.t_s.size or (vehicle.gateway.silent_s and 0 < n < seen.t_s.size)


def test_the_registry_and_the_labels_are_as_agreed(small: Recording, folder: Path) -> None:
    units = read_units(folder / "units.csv")
    assert units.height == len(small.fleet.vehicles) + len(small.fleet.trailers)
    text = (folder / "labels.csv").read_text()
    assert text.splitlines()[0] == LABELS_HEADER
    rows = list(csv.DictReader(text.splitlines()))
    assert {row["fault"] for row in rows} == set(KINDS)
    assert {row["unit"] for row in rows} <= set(units["unit"])
    assert all(row["trailer"] for row in rows if row["fault"] == "leak_trailer")


def test_one_seed_gives_the_same_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drawing, "draw_habits", _hurried)

    def written(seed: int, name: str) -> list[bytes]:
        write(record(seed=seed, units=4, days=1, healthy=0.5), tmp_path / name)
        return [path.read_bytes() for path in sorted((tmp_path / name).iterdir())]

    assert written(1, "a") == written(1, "b")
    draw = partial(draw_fleet, units=4, days=1, healthy=0.5, kinds=KINDS)
    assert draw(np.random.default_rng(1)).vehicles != draw(np.random.default_rng(2)).vehicles


def samples_of(decoded: DecodedBatch, unit: str) -> pl.DataFrame:
    """Give a unit's samples in order, each once, with its time in seconds since the start."""
    start = pl.lit(START.replace(tzinfo=None))
    own = decoded.ledger.filter(pl.col("unit") == unit).select("message")
    return (
        decoded.samples.join(own, on="message")
        .unique("t")
        .sort("t")
        .with_columns(t_s=(pl.col("t") - start).dt.total_milliseconds() / 1000)
    )


def test_a_leak_in_the_messages_is_as_large_as_its_label(small: Recording, decoded: DecodedBatch) -> None:
    measured = 0
    for unit, trailer, fault in label_rows(small.fleet):
        if trailer or fault.kind not in ("leak_primary", "leak_secondary") or fault.onset == "intermittent":
            continue
        tank = f"{fault.circuit}_kpa"
        is_at_rest = (pl.col("engine_rpm").fill_null(0) == 0) & (pl.col("park_brake") == 1)
        is_far = pl.col("t_s").diff().fill_null(0) > 10.5
        holds = (
            samples_of(decoded, unit)
            .filter(is_at_rest & (pl.col("t_s") > fault.began_s) & pl.col(tank).is_between(400, 800))
            .with_columns(hold=is_far.cum_sum())
        )
        for _, whole in holds.group_by("hold", maintain_order=True):
            hold = whole.filter(pl.col("t_s") < pl.col("t_s").first() + 900)
            t, kpa = hold["t_s"].to_numpy(), hold[tank].to_numpy()
            if t[-1] - t[0] < 200 or kpa[0] < 700:  # long parked, the supply tank may have emptied before
                continue
            slope = -np.polyfit(t / 60, np.log(kpa + ATM_KPA), 1)[0] * (690 + ATM_KPA)
            share = share_there([fault], np.array([t.mean()]))[0]
            assert slope == pytest.approx(fault.size * share, abs=4.0)
            measured += 1
    assert measured > 0


def test_thresholds_show_when_the_tanks_are_pumped_down(small: Recording) -> None:
    for vehicle, seen in zip(small.fleet.vehicles, small.seen, strict=True):
        fault = vehicle.fault
        late = seen.t_s > (fault.began_s + fault.ramp_s + 7200 if fault else 0)
        values = seen.values[late]
        key, low = values[:, 12] > 0, np.minimum(values[:, 1], values[:, 2])
        warns, popped = values[:, 10] > 0, values[:, 8] > 0
        if fault is None:
            assert not (key & ~warns & (low < 415)).any()
        elif fault.kind == "low_air_warning_missing":
            assert (key & (low < 300)).any()
            assert not warns.any()
        elif fault.kind == "low_air_warning_low":
            assert (key & ~warns & (low < 360)).any()
            assert not (key & ~warns & (low < fault.size)).any()
        elif fault.kind == "protection_valve_low":
            high = np.maximum(values[:, 1], values[:, 2])
            assert (key & ~popped & (high < 110)).any()


def lamp_events(decoded: DecodedBatch, unit: str, lamp: str) -> list[tuple[float, bool]]:
    """Give when a lamp went on or off, seconds since the start."""
    start = START.replace(tzinfo=None)
    rows = decoded.lamp_events.filter((pl.col("unit") == unit) & (pl.col("lamp") == lamp)).unique("t").sort("t")
    return [((t - start).total_seconds(), bool(on)) for t, on in rows.select("t", "is_on").iter_rows()]


def test_lamps_check_themselves_at_key_on(small: Recording, decoded: DecodedBatch) -> None:
    for vehicle in small.fleet.vehicles:
        keys = [t for t, on in lamp_events(decoded, vehicle.unit, "key") if on]
        lit = [t for t, on in lamp_events(decoded, vehicle.unit, "tractor_abs") if on]
        dark = np.array([t for t, on in lamp_events(decoded, vehicle.unit, "tractor_abs") if not on])
        assert keys
        kind = vehicle.fault.kind if vehicle.fault else ""
        if kind.startswith("abs"):
            continue
        assert len(lit) == len(keys)
        assert all(((dark > t + 1.5) & (dark < t + 3.5)).any() for t in lit)


def labels_at(fleet: Fleet) -> list[str]:
    """Give the kinds that are labelled."""
    return [fault.kind for _, _, fault in label_rows(fleet)]


def test_half_of_a_fleet_is_healthy_and_faults_begin_between_day_5_and_14() -> None:
    fleet = draw_fleet(np.random.default_rng(7), units=60, days=28, healthy=0.5, kinds=KINDS)
    assert len(labels_at(fleet)) == 30
    assert set(labels_at(fleet)) == set(KINDS)
    assert all(5 * DAY_S <= fault.began_s <= 14 * DAY_S for _, _, fault in label_rows(fleet))
    leaking = [k for k, trailer in enumerate(fleet.trailers) if trailer.fault is not None]
    borrowed = [v for v in fleet.vehicles if v.case == "borrows"]
    assert leaking
    assert borrowed
    for trailer in leaking:
        assert fleet.vehicles[fleet.last_tower(trailer)].kind == "tractor"
        for day in range(fleet.days):
            assert sum(towed[day] == trailer for towed in fleet.towed) <= 1


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="got leak_tyre"):
        draw_fleet(np.random.default_rng(1), units=2, days=7, healthy=0, kinds=["leak_tyre"])


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_can_be_asked_for(kind: str) -> None:
    fleet = draw_fleet(np.random.default_rng(2), units=6, days=28, healthy=0.5, kinds=[kind])
    assert labels_at(fleet) == [kind] * 3
    assert TRAILER == 3
