"""The words of the ready check: instructions by place, features and findings in plain language; decides nothing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING

from analysis.bench_file import Meter, Place
from analysis.characteristics.cycling_power_feature import CyclingPowerFeature, FeatureBit

if TYPE_CHECKING:
    from recorder.ready_file import Ready, SensorReady, ZeroTold

_AT_THE_CRANK = "unclip, set the cranks vertical, touch nothing and keep still, as the maker says"
_INSTRUCTIONS: dict[Place, str] = {
    "pedals": _AT_THE_CRANK,
    "crank": _AT_THE_CRANK,
    "spider": _AT_THE_CRANK,
    "chainring": _AT_THE_CRANK,
    "hub": "unclip, let the wheel stand still without load on the chain, as the maker says",
    "trainer": "do the spin-down of its maker on a warm trainer; by radio it may have no zero offset to give",
}
_FEATURES: dict[FeatureBit, str] = {
    FeatureBit.BALANCE: "left/right balance",
    FeatureBit.ACCUMULATED_TORQUE: "accumulated torque",
    FeatureBit.CRANK_REVOLUTIONS: "crank revolutions",
    FeatureBit.WHEEL_REVOLUTIONS: "wheel revolutions",
    FeatureBit.EXTREME_MAGNITUDES: "greatest and least force or torque",
    FeatureBit.EXTREME_ANGLES: "angles of these",
    FeatureBit.DEAD_SPOT_ANGLES: "dead spots",
    FeatureBit.ACCUMULATED_ENERGY: "energy",
    FeatureBit.OFFSET_COMPENSATION: "zero offset by radio",
    FeatureBit.CRANK_LENGTH: "crank length can be read and set",
    FeatureBit.MEASURES_TORQUE: "measures torque",
}


def zero_instructions(meters: Iterable[Meter]) -> dict[str, tuple[Meter, ...]]:
    """What to do before the zero offset, each instruction with the meters it is for."""
    found: dict[str, tuple[Meter, ...]] = {}
    for meter in meters:
        text = _INSTRUCTIONS[meter.place]
        found[text] = (*found.get(text, ()), meter)
    return {f"{', '.join(m.name for m in group)}: {text}.": group for text, group in found.items()}


def feature_words(feature_bits: int | None) -> tuple[str, ...]:
    """What a power meter says it can do."""
    if feature_bits is None:
        return ()
    feature = CyclingPowerFeature(feature_bits)
    return tuple(words for bit, words in _FEATURES.items() if feature.has(bit))


def never_reached(seconds: float) -> str:
    return (
        f"not reached in {seconds:.0f} s: spin it to wake it, bring it nearer, "
        "and close whatever else may be connected to it"
    )


def says_nothing() -> str:
    return "connected, but it has sent no measurement yet: turn the cranks once to see that it does"


def other_firmware(found: str | None, expected: str) -> str:
    said = "it does not tell its firmware" if found is None else f"its firmware is {found}"
    return f"{said}, the bench file expects {expected}: update it, or correct the bench file"


def other_serial(found: str, expected: str) -> str:
    return f"its serial is {found}, the bench file says {expected}: is this the same unit?"


def low_battery(battery_pct: float) -> str:
    return f"battery at {battery_pct:.0f} %: charge or change it before the ride"


def weak_signal(rssi_dbm: int) -> str:
    return f"weak signal ({rssi_dbm} dBm): bring the computer nearer"


def other_crank_length(found_mm: float, expected_mm: float) -> str:
    off_pct = 100 * (found_mm / expected_mm - 1)
    return (
        f"it is set to cranks of {found_mm:g} mm, the bench file says {expected_mm:g} mm: "
        f"that alone makes {off_pct:+.2f} % of power"
    )


def newly_mounted(days: int) -> str:
    since = "today" if days == 0 else "yesterday" if days == 1 else f"{days} days ago"
    return f"mounted {since} and not yet bedded in: a few hard efforts, then zero again"


def zero_jumped(raw: int, before_raw: int, unit: str, nm: float | None) -> str:
    size = f" ({abs(nm):.2f} N·m)" if nm is not None else ""
    return (
        f"its zero offset went from {before_raw} to {raw} in {unit}{size}, far more than usual: "
        "see that it sits tight, and zero it again"
    )


def zero_not_done(words: str) -> str:
    return f"zero offset not done: {words}"


def findings_in_words(ready: Ready) -> str:
    """What is not ready, of all sensors, in one sentence."""
    found = [f"{s.sensor}: {f.words}" for s in ready.sensors for f in s.findings if f.blocks]
    return "; ".join(found) if found else "all sensors were ready"


def report(ready: Ready) -> str:
    """The whole check for a terminal."""
    lines = [f"{ready.bench}: {'ready' if ready.ready else 'not ready'}"]
    for sensor in ready.sensors:
        lines += ["", f"{sensor.sensor}  {'ready' if sensor.ready else 'NOT READY'}", *_about(sensor)]
    return "\n".join(lines)


def _about(sensor: SensorReady) -> Iterator[str]:
    said = [words.format(sensor.identity[key]) for key, words in _IDENTITY.items() if key in sensor.identity]
    if sensor.rssi_dbm is not None:
        said.append(f"signal {sensor.rssi_dbm} dBm")
    if sensor.rate_hz is not None:
        said.append(f"{sensor.rate_hz:.1f} values a second")
    texts = [", ".join(said), ", ".join(sensor.features)]
    if sensor.zero is not None:
        texts.append(f"zero offset: {sensor.zero.words}{_before(sensor.zero)}")
    texts += [f"{'!' if finding.blocks else '-'} {finding.words}" for finding in sensor.findings]
    return (
        line for text in texts if text for line in wrap(text, 92, initial_indent="    ", subsequent_indent="      ")
    )


def _before(zero: ZeroTold) -> str:
    return "" if zero.before is None else f" (last time {zero.before.raw} in {zero.before.unit})"


_IDENTITY = {
    "manufacturer": "{}",
    "model": "{}",
    "serial": "serial {}",
    "firmware_revision": "firmware {}",
    "battery_pct": "battery {} %",
    "crank_length_mm": "cranks {:g} mm",
    "location": "says it sits at: {}",
}


def sentence(findings: Sequence[str]) -> str:
    """For a row of the recording."""
    return "ready" if not findings else "not ready: " + "; ".join(findings)
