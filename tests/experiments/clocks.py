"""Knows how well the clocks of imported rides are told, whether intervals cover, and how often a wrong one is told.

Run `python -m tests.experiments.clocks [RIDES [SEED]]` (2,000 rides per cell unless said; half an hour of CPU).
Limits of the method were chosen on seeds below 1000, so that a claim of coverage needs a seed above.
"""

# ruff: noqa: T201 - printing its table is what an experiment is for

from __future__ import annotations

import resource
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.clock_alignment import Alignment, Track, align_clocks
from analysis.samples import Floats
from analysis.segment_proposals import propose
from simulated_sensors.meter_model import MeterModel, measure
from simulated_sensors.ride import Ride
from simulated_sensors.ride_file_devices import Pause, RideFileDevice, device_track, outdoor_ride
from simulated_sensors.rider import Effort, Rider, ride_efforts

ALDER = MeterModel("pedals", "both", rate_hz=4.0)
BIRCH = MeterModel("spider", "total", rate_hz=4.0)
QUICK = MeterModel("pedals", "both", rate_hz=4.0, averaging="second", window=0.25)
ONE_HZ = MeterModel("pedals", "both", rate_hz=1.0)
DOGWOOD = MeterModel("crank", "left", rate_hz=4.0)
CEDAR = MeterModel("trainer", "total", rate_hz=4.0, averaging="second", smoothing_s=1.0)


@dataclass(frozen=True)
class Cell:
    name: str
    minutes: int
    models: tuple[MeterModel, MeterModel]
    records: str = "mean"  # of the second, or the latest


CELLS = (
    Cell("per turn, 4 Hz, mean of the second", 120, (ALDER, BIRCH)),
    Cell("quarter seconds, 4 Hz, mean of the second", 120, (QUICK, QUICK)),
    Cell("per turn, 1 Hz, mean of the second", 120, (ONE_HZ, ONE_HZ)),
    Cell("per turn, 4 Hz, latest value", 120, (ALDER, BIRCH), "latest"),
    Cell("per turn, 1 Hz, latest value", 120, (ONE_HZ, ONE_HZ), "latest"),
    Cell("both sides against left doubled", 120, (ALDER, DOGWOOD)),
    Cell("per turn against 1 s smoothing", 120, (ALDER, CEDAR)),
    Cell("per turn, 4 Hz, mean of the second", 60, (ALDER, BIRCH)),
    Cell("per turn, 4 Hz, mean of the second", 30, (ALDER, BIRCH)),
    Cell("per turn, 4 Hz, mean of the second", 15, (ALDER, BIRCH)),
)


@dataclass(frozen=True)
class Outcome:
    """Errors are against clock and lag together: what makes the powers fit. Clock errors leave the lag out."""

    offset_error_s: float
    clock_error_s: float
    half_width_s: float
    drift_error_ppm: float
    drift_half_width_ppm: float
    jumps: int
    segment_error_w: float  # greatest of 180 s in every 300, records on the told clock against the true one


def devices(cell: Cell, rng: np.random.Generator) -> tuple[RideFileDevice, RideFileDevice]:
    """Offsets up to ten minutes, drift up to 50 ppm between the two, 1 % missing, one hand pause each."""

    def made(name: str, model: MeterModel) -> RideFileDevice:
        start_s = float(rng.uniform(0.2, 0.8)) * 60 * cell.minutes
        return RideFileDevice(
            name,
            model,
            offset_s=float(rng.uniform(-300, 300)),
            drift_ppm=float(rng.uniform(-25, 25)),
            records="mean" if cell.records == "mean" else "latest",
            auto_pause=bool(rng.integers(2)),
            pauses=(Pause(start_s, start_s + float(rng.uniform(10, 120))),),
        )

    return made("Alder", cell.models[0]), made("Birch", cell.models[1])


def content_age_s(device: RideFileDevice, ride: Ride, seed: int, clock_s: Floats) -> Floats:
    """How much older than its tick is what a record holds: half the span it is a mean of, its wait, its smoothing."""
    said = measure(device.model, ride, seed, device.name)
    if device.model.averaging == "turn":
        centre_s = said.crank_event_s - 30.0 / np.maximum(ride.cadence_at(said.crank_event_s), 30.0)
    else:
        centre_s = np.floor(said.at_s / device.model.window) * device.model.window - device.model.window / 2
    centre_s = centre_s - device.model.smoothing_s
    ticks_s = device.ride_s(np.rint(clock_s), ride)
    if device.records == "latest":
        return np.asarray(ticks_s - centre_s[np.maximum(np.searchsorted(said.at_s, ticks_s, "right") - 1, 0)])
    held = np.concatenate(([0.0], np.cumsum(centre_s[:-1] * np.diff(said.at_s))))
    return np.asarray(ticks_s - np.interp(ticks_s, said.at_s, held) + np.interp(ticks_s - 1.0, said.at_s, held))


def true_reference_s(
    reference: RideFileDevice, other: RideFileDevice, ride: Ride, seed: int, clock_s: Floats
) -> tuple[Floats, Floats]:
    """Where records of the other belong on the reference's clock: by the clocks alone, and with the lag."""
    by_clock_s = reference.clock_s(other.ride_s(clock_s, ride), ride)
    ages_s = content_age_s(reference, ride, seed, by_clock_s), content_age_s(other, ride, seed, clock_s)
    # While nothing turns, an old value is held that says nothing about the lag. It wanders and, where packets and
    # ticks overtake each other, steps: what windows can see is its mean over minutes.
    turning = (np.maximum(*ages_s) < 3.5) * 1.0
    minutes = np.ones(121)
    lag_s = np.convolve(turning * (ages_s[0] - ages_s[1]), minutes, "same")
    seen = np.convolve(turning, minutes, "same")
    known = seen > 20
    return by_clock_s, by_clock_s + np.interp(clock_s, clock_s[known], lag_s[known] / seen[known])


def run_ride(cell: Cell, seed: int) -> Outcome | Alignment:
    """The alignment itself where it was not carried."""
    rng = np.random.default_rng([seed, cell.minutes])
    ride = outdoor_ride(seed, 60.0 * cell.minutes)
    alder, birch = devices(cell, rng)
    reference, other = device_track(alder, ride, seed), device_track(birch, ride, seed)
    found = align_clocks(reference, other, guess_s=None if seed % 2 else 0.0)
    if not found.carried:
        return found
    by_clock_s, fitting_s = true_reference_s(alder, birch, ride, seed, other.time_s)
    told_s = found.to_reference(other.time_s)
    slope = np.polyfit(other.time_s - other.time_s.mean(), told_s - fitting_s, 1)[0]
    proven = found.drift_half_width_ppm is not None
    return Outcome(
        float((told_s - fitting_s).mean()),
        float((told_s - by_clock_s).mean()),
        found.offset_half_width_s,
        1e6 * float(slope) if proven else np.nan,
        found.drift_half_width_ppm or np.nan,
        len(found.jumps),
        _segment_error_w(reference, other, told_s, fitting_s),
    )


def _segment_error_w(reference: Track, other: Track, told_s: Floats, true_s: Floats) -> float:
    """Each record holds for the second before it; means are weighted with time."""
    worst = 0.0
    for start_s in np.arange(reference.time_s[0], reference.time_s[-1] - 180, 300.0):
        told, true = (held_mean_w(at_s, other.power_w, start_s, start_s + 180) for at_s in (told_s, true_s))
        worst = max(worst, abs(told - true)) if np.isfinite(told - true) else worst
    return worst


def held_mean_w(record_s: Floats, power_w: Floats, start_s: float, stop_s: float) -> float:
    known = np.isfinite(power_w)
    overlap_s = np.minimum(record_s[known], stop_s) - np.maximum(record_s[known] - 1.0, start_s)
    weight = np.maximum(overlap_s, 0.0)
    return float(weight @ power_w[known] / weight.sum()) if weight.sum() > 0 else float("nan")


@dataclass(frozen=True)
class Plan:
    """A ride on which the question is whether a wrong offset is told."""

    name: str
    efforts: tuple[Effort, ...]
    rider: Rider
    within_s: float = 900.0


MACHINE = Rider(power_slow_pct=0.0, power_quick_pct=0.0, cadence_rpm=0.0)
EIGHT = (Effort(600, 140, 85), *(Effort(60, 300, 95), Effort(60, 120, 80)) * 8, Effort(300, 130, 85))
PLANS = (
    Plan("8 × 60/60 by a rider", EIGHT, Rider()),
    Plan("8 × 60/60 by a rider, offset beyond the search", EIGHT, Rider(), 100.0),
    Plan("8 × 60/60 held by a machine", EIGHT, MACHINE),
    Plan("15 × 60/60 held by a machine", (Effort(60, 300, 95), Effort(60, 120, 80)) * 15, MACHINE),
    Plan("200 W held by a machine, 40 min", (Effort(2400, 200, 90),), replace(MACHINE, cadence_rpm=2.0)),
    Plan("200 W by a rider, 40 min", (Effort(2400, 200, 90),), Rider()),
)


def run_plan(plan: Plan, seed: int) -> float:
    """Error of what was told, in seconds; nan where nothing was told."""
    ride = ride_efforts(plan.efforts, seed=seed, rider=plan.rider, after_plan_s=0.0)
    rng = np.random.default_rng(seed)
    away_s = float(rng.uniform(200, 400)) if plan.within_s < 900 else float(rng.uniform(-600, 600))
    alder, birch = RideFileDevice("Alder", ALDER), RideFileDevice("Birch", BIRCH, away_s, 20.0)
    reference, other = device_track(alder, ride, seed), device_track(birch, ride, seed)
    found = align_clocks(reference, other, guess_s=0.0, within_s=plan.within_s)
    return float((found.to_reference(other.time_s) - birch.ride_s(other.time_s, ride)).mean())


def run_strangers(seed: int) -> float:
    """Two rides that have nothing to do with each other."""
    one, two = outdoor_ride(seed, 5400.0), outdoor_ride(seed + 500_000, 5400.0)
    found = align_clocks(
        device_track(RideFileDevice("Alder", ALDER), one, seed),
        device_track(RideFileDevice("Birch", BIRCH), two, seed),
    )
    return found.offset_s


def three_devices_cpu_s(seed: int) -> float:
    """Process time for two alignments and the proposals of a ride of two hours."""
    ride = outdoor_ride(seed)
    cell = CELLS[0]
    alder, birch = devices(cell, np.random.default_rng(seed))
    tracks = [device_track(d, ride, seed) for d in (alder, birch, replace(birch, name="Cedar", offset_s=42.0))]
    before = resource.getrusage(resource.RUSAGE_SELF)
    for other in tracks[1:]:
        align_clocks(tracks[0], other, guess_s=0.0)
    propose(tracks[0])
    after = resource.getrusage(resource.RUSAGE_SELF)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def cell_line(cell: Cell, results: list[Outcome | Alignment]) -> str:
    told = [r for r in results if isinstance(r, Outcome)]

    def of(value: Callable[[Outcome], float]) -> Floats:
        return np.array([value(r) for r in told])

    offset, half = of(lambda r: r.offset_error_s), of(lambda r: r.half_width_s)
    drift, drift_half = of(lambda r: r.drift_error_ppm), of(lambda r: r.drift_half_width_ppm)
    proven = np.isfinite(drift)
    clock, watts = of(lambda r: abs(r.clock_error_s)), of(lambda r: r.segment_error_w)
    told_pct = pct(len(told), len(results))
    jumped = of(lambda r: r.jumps) > 0
    spread = f"sd {offset.std():.3f} mean {offset.mean():+.3f}"
    line = (
        f"{cell.name:42} {cell.minutes:4} min  told {told_pct}; offset {spread} within 0.2 s"
        f" {share(abs(offset) < 0.2)} covered {share(abs(offset) <= half)};"
        f" clock alone within 0.2 s {share(clock < 0.2)}; jumps {share(jumped)};"
        f" segments off by more than 0.2 W {share(watts > 0.2)}"
    )
    if not proven.any():
        return line + "; drift never told"
    drift, drift_half = drift[proven], drift_half[proven]
    return line + (
        f"; drift told {pct(drift.size, len(told))} sd {drift.std():.1f} within 5 ppm {share(abs(drift) < 5)}"
        f" covered {share(abs(drift) <= drift_half)} ±{np.median(drift_half):.1f}"
    )


def share(flags: NDArray[np.bool_]) -> str:
    return pct(int(flags.sum()), flags.size)


def pct(part: float, whole: int) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "-"


def main(rides: int, seed: int) -> None:
    print(f"{rides} rides per cell")
    for cell in CELLS:
        print(cell_line(cell, [run_ride(cell, seed + k) for k in range(rides)]), flush=True)
    for plan in PLANS:
        errors = np.array([run_plan(plan, seed + k) for k in range(rides)])
        wrong = int((abs(errors) > 0.5).sum())
        told = int(np.isfinite(errors).sum())
        print(f"{plan.name:48} told {pct(told, rides)}, wrong by more than 0.5 s {wrong} of {rides}", flush=True)
    told = sum(np.isfinite(run_strangers(seed + k)) for k in range(rides // 10))
    print(f"two rides that have nothing to do with each other: told {told} of {rides // 10}")
    print(f"three devices, two hours: {np.median([three_devices_cpu_s(seed + k) for k in range(5)]):.3f} s of CPU")


if __name__ == "__main__":
    main(*(int(given) for given in (sys.argv[1:] + ["2000", "1000"][len(sys.argv) - 1 :])))
