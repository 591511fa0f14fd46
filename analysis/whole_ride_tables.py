"""What only a whole ride tells, as tables: sprints, response, effects, cadence, packets, and who is off."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pyarrow as pa

from analysis.adjustment import Difference, UnitError
from analysis.cadence_agreement import CadencePair
from analysis.effects import Effect
from analysis.judge import Judged
from analysis.packet_check import PacketCheck
from analysis.response_time import ResponseTime
from analysis.scale_offset import ScaleOffset
from analysis.sprints import Sprint, SprintFigures
from analysis.table_columns import FLAG, NUMBER, TEXT, WHOLE, Column, fields_of, made_table, of_part, or_none
from analysis.verdict import Judgement

_PEAKS = (
    "greatest_sample_w",
    "greatest_1s_w",
    "greatest_5s_w",
    "equal_1s_w",
    "equal_5s_w",
    "pulse_work_j",
)


def whole_ride_tables(judged: Judged) -> dict[str, pa.Table]:
    """Named as their files; without a row where the ride does not tell."""
    whole, found, names = judged.whole, judged.adjustment, _segment_names(judged)
    sprints = whole.sprints.sprints if whole.sprints is not None else ()
    judgements = whole.sprints.judgements if whole.sprints is not None else {}
    effects = [(name, effect) for name, told in whole.effects.items() for effect in told.effects]
    segment = Column("segment", TEXT, lambda row: names.get(row.segment_no))
    cadence = [(c, pair) for c in whole.cadence for pair in c.pairs]
    packets = [check for checks in whole.packet_checks.values() for check in checks]
    units, differences = (found.units, found.differences) if found is not None else ((), ())
    return {
        "sprints": made_table(_SPRINT, [row for sprint in sprints for row in _sprint_rows(sprint)]),
        "sprint_verdicts": made_table([*_METER, *of_part(_JUDGEMENT, 1)], judgements.items()),
        "responses": made_table([*_METER, *of_part(_reasoned(ResponseTime), 1)], whole.responses.items()),
        "effects": made_table([*_METER, *of_part(_EFFECT, 1)], effects),
        "scale_offsets": made_table([*_METER, *of_part(_reasoned(ScaleOffset), 1)], whole.scale_offsets.items()),
        "cadence": made_table([*of_part([_SEGMENT_NO, segment], 0), *of_part(_reasoned(CadencePair), 1)], cadence),
        "packet_checks": made_table([*_reasoned(PacketCheck)[:2], segment, *_reasoned(PacketCheck)[2:]], packets),
        "adjustment": made_table(_UNIT, units),
        "adjustment_differences": made_table(fields_of(Difference), differences),
    }


def _segment_names(judged: Judged) -> dict[int | None, str]:
    """By number; None stands for all segments together."""
    return {None: "all segments", **{r.segment.segment_no: r.segment.name for r in judged.segments}}


def _sprint_rows(sprint: Sprint) -> Iterator[tuple[Sprint, SprintFigures | None]]:
    """One for each meter; a sprint in which nothing was seen has one as well, with the reason."""
    yield from ((sprint, figures) for figures in sprint.meters.values())
    if not sprint.meters:
        yield sprint, None


def _reasoned(kind: type) -> list[Column]:
    """The fields of a finding, with `why_not` last and null where there is no reason to give."""
    return [*fields_of(kind, "why_not"), Column("why_not", TEXT, lambda row: or_none(row.why_not))]


def _peak_columns(name: str) -> Iterator[Column]:
    def compared(row: tuple[Sprint, SprintFigures | None], side: str) -> Any:
        return None if row[1] is None else getattr(getattr(row[1], name), side)

    yield Column(name, NUMBER, lambda row: compared(row, "meter"))
    yield Column(f"reference_{name}", NUMBER, lambda row: compared(row, "reference"))
    yield Column(f"{name.rpartition('_')[0]}_difference_pct", NUMBER, lambda row: compared(row, "difference_pct"))


def _seconds(host_ns: int | None) -> float | None:
    return None if host_ns is None else host_ns / 1e9


_METER = (Column("meter", TEXT, lambda row: row[0]),)
_SEGMENT_NO = Column("segment_no", WHOLE, lambda row: row.segment_no)
_SPRINT: tuple[Column, ...] = (
    Column("segment_no", WHOLE, lambda row: row[0].segment_no),
    Column("segment", TEXT, lambda row: row[0].name),
    Column("onset_s", NUMBER, lambda row: _seconds(row[0].onset_ns)),
    Column("end_s", NUMBER, lambda row: _seconds(row[0].end_ns)),
    Column("meter", TEXT, lambda row: row[1] and row[1].meter),
    *(column for name in _PEAKS for column in _peak_columns(name)),
    Column("why_not", TEXT, lambda row: or_none(row[0].why_not or (row[1].why_not if row[1] else ""))),
)
_JUDGEMENT: tuple[Column, ...] = (
    Column("verdict", TEXT, lambda j: j.word),
    Column("reason", TEXT, lambda j: or_none(j.reason)),
    Column("sprints_judged", WHOLE, lambda j: j.repeats),
    Column("more_sprints_to_decide", WHOLE, lambda j: j.more_repeats),
    *(c for c in fields_of(Judgement) if c.name in ("away_pct", "half_width_pct", "tolerance_pct")),
)
_EFFECT = (Column("effect", TEXT, lambda e: e.name), *(c for c in _reasoned(Effect) if c.name != "name"))
_UNIT: tuple[Column, ...] = (
    Column("meter", TEXT, lambda u: u.name),
    *fields_of(UnitError, "name", "measured_by"),
    Column("measured_by", TEXT, lambda u: or_none(", ".join(f"{s.unit} {s.share:.3f}" for s in u.measured_by))),
    Column("named_as_off", FLAG, lambda u: u.named),
)
