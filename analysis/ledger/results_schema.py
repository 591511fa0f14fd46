"""The columns of a ledger's results, with their version: what is kept of a ride, of a meter, and of a segment."""

from __future__ import annotations

from collections.abc import Mapping

import pyarrow as pa

from analysis.version import product_version

RESULTS_VERSION = 2
READABLE_VERSIONS = (1, 2)
RESULTS_KEY = b"wattproof_results"
PRODUCT_KEY = b"wattproof_version"
RIDE, METER, SEGMENT = "ride", "meter", "segment"

_TEXT, _NUMBER, _WHOLE, _FLAG = pa.string(), pa.float64(), pa.int64(), pa.bool_()
_ZERO = pa.struct([("at_s", _NUMBER), ("result", _TEXT), ("raw", _NUMBER), ("unit", _TEXT), ("offset_nm", _NUMBER)])
PART = pa.struct(
    [("name", _TEXT), ("mass_g", _NUMBER), ("claimed_mass_g", _NUMBER), ("price", _NUMBER), ("currency", _TEXT)]
)
_RIDE_FIELDS = {
    "row": _TEXT,
    "session": _TEXT,
    "sha256": _TEXT,
    "recording": _TEXT,  # the file's name in the ledger
    "start_utc_ns": _WHOLE,
    "length_s": _NUMBER,
    "bench": _TEXT,
    "plan": _TEXT,
    "clean": _FLAG,
    "meters": _WHOLE,
    "drivetrain": _TEXT,
    "loss_pct": _NUMBER,
    "loss_sd_pct": _NUMBER,
    "drag_nm": _NUMBER,
    "drag_sd_nm": _NUMBER,
    "floor_w": _NUMBER,
    "amendments_sha256": _TEXT,  # of the file with the changes it was judged with; null without any
}
_METER_FIELDS = {
    "meter": _TEXT,
    "unit": _TEXT,
    "place": _TEXT,
    "sides": _TEXT,
    "claim_pct": _NUMBER,
    "model": _TEXT,
    "serial": _TEXT,
    "firmware": _TEXT,
    "reference": _TEXT,
    "reference_unit": _TEXT,
    "reference_firmware": _TEXT,
    "reference_place": _TEXT,
}
_UNIT_FIELDS = {
    "expected_firmware": _TEXT,
    "claimed_battery_h": _NUMBER,
    "mounted": _TEXT,
    "battery_first_pct": _NUMBER,
    "battery_last_pct": _NUMBER,
    "temperature_c": _NUMBER,
    "zero_offsets": pa.list_(_ZERO),
    "parts": pa.list_(PART),
    "reason": _TEXT,
    "segments_judged": _WHOLE,
    "more_segments_to_decide": _WHOLE,
    "sprints": _WHOLE,
    "sprints_away_pct": _NUMBER,
    "sprints_verdict": _TEXT,
    "amendments": pa.list_(_TEXT),  # each change in words, with its reason; also in the row of the ride
    "as_recorded_verdict": _TEXT,  # without the changes; null where there are none
    "as_recorded_away_pct": _NUMBER,
    "as_recorded_away_half_width_pct": _NUMBER,
}
_SEGMENT_FIELDS = {
    "segment_no": _WHOLE,
    "segment": _TEXT,
    "repeat_no": _WHOLE,
    "step_kind": _TEXT,
    "posture": _TEXT,
    "judged_s": _NUMBER,
}
FIGURES = (
    "mean_power_w",
    "work_kj",
    "greatest_1s_w",
    "greatest_5s_w",
    "mean_cadence_rpm",
    "mean_torque_nm",
    "left_share_pct",
    "coverage_pct",
    "gaps",
)
_COMPARED_FIELDS = {
    "compared_s": _NUMBER,
    "reference_w": _NUMBER,
    "difference_pct": _NUMBER,
    "long_run_variance_pct2_s": _NUMBER,
    "degrees_of_freedom": _NUMBER,
    "too_short": _FLAG,
    "expected_ratio": _NUMBER,
    "expected_sd_pct": _NUMBER,
    "away_pct": _NUMBER,
    "away_half_width_pct": _NUMBER,
    "tolerance_pct": _NUMBER,
    "verdict": _TEXT,
}
FIELDS: Mapping[str, pa.DataType] = {
    **_RIDE_FIELDS,
    **_METER_FIELDS,
    **_UNIT_FIELDS,
    **_SEGMENT_FIELDS,
    **dict.fromkeys(FIGURES, _NUMBER),
    "balance_reference": _TEXT,  # "left": whose share left_share_pct is; null where the meter does not say
    **_COMPARED_FIELDS,
}
FIELDS_OF: Mapping[str, tuple[str, ...]] = {
    RIDE: (*_RIDE_FIELDS, "amendments"),
    METER: tuple(name for name in FIELDS if name not in _SEGMENT_FIELDS),
    SEGMENT: tuple(name for name in FIELDS if name not in _UNIT_FIELDS),
}
# A file of version 1 has none of these, and is read as if they were null.
SINCE_2 = (
    "amendments_sha256",
    "amendments",
    "as_recorded_verdict",
    "as_recorded_away_pct",
    "as_recorded_away_half_width_pct",
)
_ABOUT = {RESULTS_KEY: str(RESULTS_VERSION).encode(), PRODUCT_KEY: product_version().encode()}
SCHEMA = pa.schema(list(FIELDS.items()), metadata=_ABOUT)


def results_key(sha256: str, amendments_sha256: str | None) -> str:
    """What results are known by: the digest of the recording, and of the amendments it was judged with."""
    return sha256 if amendments_sha256 is None else f"{sha256}-{amendments_sha256}"


def recording_of(key: str) -> str:
    """The digest of the recording."""
    return key.partition("-")[0]
