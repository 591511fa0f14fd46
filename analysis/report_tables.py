"""The figures of a report as tables on disk, CSV and Parquet: one row per entity, units in the column names."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from operator import itemgetter

import pyarrow as pa
import pyarrow.parquet as pq

from analysis.joined_ride import Part
from analysis.judge import Judged
from analysis.meter_figures import MeterFigures
from analysis.table_columns import FLAG, NUMBER, TEXT, WHOLE, Column, fields_of, made_table, of_part
from analysis.whole_ride_tables import whole_ride_tables

MARK = b"wattproof_table"
# What a spreadsheet takes for the start of a formula or the edge of a cell (CWE-1236).
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\0")


def report_tables(judged: Judged) -> dict[str, pa.Table]:
    """Named as their files; what cannot be said is null."""
    in_segments = [(r.segment, f) for r in judged.segments for f in r.meters.values()]
    compared = [(r.segment, c) for r in judged.segments for c in r.comparisons.values()]
    return {
        "segments_meters": made_table([*of_part(_SEGMENT, 0), *of_part(_METER, 1)], in_segments),
        "segments_comparisons": made_table([*of_part(_SEGMENT, 0), *of_part(_COMPARISON, 1)], compared),
        "verdicts": made_table([*_VERDICT, *_lag_columns(judged)], judged.verdicts.values()),
        **whole_ride_tables(judged),
    }


def recordings_table(parts: Sequence[Part], digests: Sequence[str]) -> pa.Table:
    """The files a ride is made of: which of them a segment number belongs to, and which digest each has."""
    columns = [*of_part(_RECORDING, 0), Column("sha256", TEXT, itemgetter(1))]
    return made_table(columns, zip(parts, digests, strict=True))


def csv_bytes(table: pa.Table) -> bytes:
    """UTF-8, comma, CR LF (RFC 4180), all digits; text that a spreadsheet would run starts with an apostrophe."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(table.column_names)
    for row in zip(*(column.to_pylist() for column in table.columns), strict=True):
        writer.writerow([formula_safe(cell) if isinstance(cell, str) else cell for cell in row])
    return out.getvalue().encode()


def parquet_bytes(table: pa.Table, about: Mapping[bytes, bytes]) -> bytes:
    """`about` goes into the file's metadata."""
    out = pa.BufferOutputStream()
    pq.write_table(table.replace_schema_metadata(dict(about)), out, compression="zstd")
    return bytes(out.getvalue().to_pybytes())


def formula_safe(text: str) -> str:
    return "'" + text if text.startswith(_FORMULA) else text


_SEGMENT: tuple[Column, ...] = (
    Column("segment_no", WHOLE, lambda s: s.segment_no),
    Column("segment", TEXT, lambda s: s.name),
    Column("step_id", TEXT, lambda s: s.step_id),
    Column("repeat_no", WHOLE, lambda s: s.repeat_no),
    Column("step_kind", TEXT, lambda s: s.step_kind),
    Column("posture", TEXT, lambda s: s.posture),
    Column("ended_by", TEXT, lambda s: s.ended_by),
    Column("start_s", NUMBER, lambda s: s.start_ns / 1e9),
    Column("judged_from_s", NUMBER, lambda s: s.judged_from_ns / 1e9),
    Column("stop_s", NUMBER, lambda s: s.stop_ns / 1e9),
    Column("target_w", NUMBER, lambda s: s.target_w),
    Column("target_cadence_rpm", NUMBER, lambda s: s.cadence_rpm),
    Column("resistance", TEXT, lambda s: None if s.resistance is None else s.resistance.words),
)
_METER = tuple(fields_of(MeterFigures))
_COMPARISON: tuple[Column, ...] = (
    Column("meter", TEXT, lambda c: c.meter),
    Column("reference", TEXT, lambda c: c.reference),
    Column("compared_s", WHOLE, lambda c: c.seconds),
    Column("reference_w", NUMBER, lambda c: c.reference_w),
    Column("mean_difference_w", NUMBER, lambda c: c.mean_difference_w),
    Column("mean_difference_half_width_w", NUMBER, lambda c: c.half_width_w),
    Column("difference_pct", NUMBER, lambda c: c.difference_pct.mean),
    Column("difference_half_width_pct", NUMBER, lambda c: c.difference_pct.half_width),
    Column("independent_s", NUMBER, lambda c: c.difference_pct.n_eff),
    Column("interval_method", TEXT, lambda c: c.difference_pct.method),
    Column("too_short", FLAG, lambda c: c.difference_pct.too_short),
    Column("newey_west_half_width_pct", NUMBER, lambda c: c.newey_west_pct),
    Column("expected_ratio", NUMBER, lambda c: c.expectation.ratio),
    Column("expected_sd_pct", NUMBER, lambda c: c.expectation.loss_sd_pct),
    Column("away_pct", NUMBER, lambda c: c.away_pct.mean),
    Column("away_half_width_pct", NUMBER, lambda c: c.away_pct.half_width),
    Column("tolerance_pct", NUMBER, lambda c: c.tolerance and c.tolerance.pct),
    Column("verdict", TEXT, lambda c: c.word),
    Column("en_number", NUMBER, lambda c: c.en),
    Column("share_within_tolerance_pct", NUMBER, lambda c: c.share_within_pct),
    Column("rms_difference_w", NUMBER, lambda c: c.rms_w),
    Column("limits_lower_w", NUMBER, lambda c: c.limits_w and c.limits_w.lower),
    Column("limits_upper_w", NUMBER, lambda c: c.limits_w and c.limits_w.upper),
    Column("limits_sd_w", NUMBER, lambda c: c.limits_w and c.limits_w.sd),
    Column("seconds_to_decide", NUMBER, lambda c: c.seconds_to_decide),
)
_VERDICT: tuple[Column, ...] = (
    Column("meter", TEXT, lambda v: v.meter),
    Column("reference", TEXT, lambda v: v.reference),
    Column("verdict", TEXT, lambda v: v.judgement.word),
    Column("reason", TEXT, lambda v: v.judgement.reason or None),
    Column("segments_judged", WHOLE, lambda v: v.judgement.repeats),
    Column("more_segments_to_decide", WHOLE, lambda v: v.judgement.more_repeats),
    Column("difference_pct", NUMBER, lambda v: v.difference_pct),
    Column("expected_pct", NUMBER, lambda v: v.expected_pct),
    Column("expected_sd_pct", NUMBER, lambda v: v.expected_sd_pct),
    Column("away_pct", NUMBER, lambda v: v.judgement.away_pct),
    Column("away_half_width_pct", NUMBER, lambda v: v.judgement.half_width_pct),
    Column("tolerance_pct", NUMBER, lambda v: v.judgement.tolerance_pct),
    Column("claim_assumed", FLAG, lambda v: v.claim_assumed),
    Column("slow_wander_seen", FLAG, lambda v: v.slow_wander_seen),
    Column("doubling_pct", NUMBER, lambda v: v.doubling_pct),
    Column("line_slope", NUMBER, lambda v: v.line and v.line.slope),
    Column("line_slope_se", NUMBER, lambda v: v.line and v.line.slope_se),
    Column("line_intercept_w", NUMBER, lambda v: v.line and v.line.intercept),
    Column("line_intercept_se_w", NUMBER, lambda v: v.line and v.line.intercept_se),
)


_RECORDING: tuple[Column, ...] = (
    Column("recording", TEXT, lambda p: p.name),
    Column("session", TEXT, lambda p: p.recording.metadata.session_id),
    Column("starts_at_s", NUMBER, lambda p: p.offset_ns / 1e9),
    Column("ends_at_s", NUMBER, lambda p: p.stop_ns / 1e9),
    Column("added_to_segment_numbers", WHOLE, lambda p: p.numbers_before),
    Column("amendments", WHOLE, lambda p: p.recording.amendments and len(p.recording.amendments.changes)),
    Column("amendments_sha256", TEXT, lambda p: p.recording.amendments and p.recording.amendments.sha256),
)


def _lag_columns(judged: Judged) -> list[Column]:
    lags = judged.lags
    return [
        Column("lag_s", NUMBER, lambda v: lags[v.meter].lag_s if v.meter in lags else None),
        Column("lag_half_width_s", NUMBER, lambda v: lags[v.meter].half_width_s if v.meter in lags else None),
        Column("lag_taken_out_s", NUMBER, lambda v: judged.setup.lags_s.get(v.meter)),
        Column("lag_why_not", TEXT, lambda v: lags[v.meter].why_not or None if v.meter in lags else None),
    ]
