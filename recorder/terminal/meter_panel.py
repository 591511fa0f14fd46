"""Knows how meters are drawn one under the other: what each reads, and how it stands to the reference."""

from __future__ import annotations

import math

from textual.content import Content

from recorder.live_snapshot import Against, MeterView
from recorder.terminal.arrangement import BLOCK_ROWS, block_gap, block_size
from recorder.terminal.digits import Widening, half_rows, tall
from recorder.terminal.figures import SIGNS, link_words, plain, roughly, signed, signed_pct, span
from recorder.terminal.lines import EMPTY, Part, beside, fit, fit_right, line, shown, spread
from recorder.terminal.meter_rows import meter_rows
from recorder.terminal.rail import rail
from recorder.terminal.scene import Scene, band, evidence
from recorder.terminal.trend import trend

_WORD_WIDTH = 12
# Differences over the window and the step, in W and %, need so many cells.
_LEAST_TEXT = 41
_MORE_FROM_WIDTH = 56
_SMALL_PICTURE = 20
_WALL = Widening(2, 2, 2)
_FIGURES_WIDTH = {3: 17, 4: 20, 7: 38}


def draw_meters(scene: Scene, width: int, height: int) -> list[Content]:
    meters, sensors = scene.meters, scene.sensors
    rows = height - (1 if sensors else 0)
    size = block_size(len(meters), width, rows)
    lines: list[Content] = []
    if size == "row":
        lines = meter_rows(scene, width)[:rows]
    else:
        gap = block_gap(size, len(meters), rows)
        pictures = BLOCK_ROWS[size] >= 4 and any(_has_picture(meter) for meter in meters)
        for meter in meters:
            lines += _block(scene, meter, width, BLOCK_ROWS[size], pictures) + [EMPTY] * gap
    if sensors:
        lines = [*lines[:rows], sensor_line(sensors)]
    return lines


def sensor_line(sensors: list[MeterView]) -> Content:
    """Those that record along and are not judged, all in one line."""
    parts: list[Part] = []
    for sensor in sensors:
        reading = f" {plain(sensor.cadence_rpm)} rpm" if math.isfinite(sensor.cadence_rpm) else ""
        parts += [(f"{shown(sensor.name, 16)}", "bold"), f"{reading} ", _link(sensor), "   "]
    return line(*parts)


def _has_picture(meter: MeterView) -> bool:
    return not meter.is_reference and band(meter)[1] > 0 and bool(meter.trend_pct)


def _block(scene: Scene, meter: MeterView, width: int, rows: int, pictures: bool) -> list[Content]:
    figures_width = _FIGURES_WIDTH[rows]
    rest = width - figures_width - 2
    picture_width = max(16, min(72, rest - max(_LEAST_TEXT, rest * 5 // 9))) if pictures else 0
    text_width = min(96, rest - picture_width)
    columns: list[tuple[list[Content], int]] = [
        (_figures(meter.power_w, rows, figures_width), figures_width),
        (_texts(scene, meter, text_width, rows), text_width),
    ]
    if pictures and _has_picture(meter):
        columns.append((_picture(meter, picture_width - 1, rows), picture_width - 1))
    return beside(columns)[:rows]


def _figures(power_w: float, rows: int, width: int) -> list[Content]:
    """In blocks, with the unit at the foot; in ordinary type where the figure is wider than any sane one."""
    text = plain(power_w)
    blocks = tall(text, _WALL) if rows >= 7 else half_rows(text, rows)
    if len(blocks[0]) > width - 2:
        return [fit_right(line((f"{text} W", "bold $strong")), width)]
    units = [EMPTY] * (rows - 1) + [line(("W", "$faint"))]
    return [
        fit_right(line((row, "$strong"), " ", fit(unit, 1)), width) for row, unit in zip(blocks, units, strict=True)
    ]


def _picture(meter: MeterView, width: int, rows: int) -> list[Content]:
    expected, tolerance = band(meter)
    return trend(meter.trend_pct, expected, tolerance, width, rows)


def _texts(scene: Scene, meter: MeterView, width: int, rows: int) -> list[Content]:
    name = line((shown(meter.name, 24), "bold $strong"), "  ", (shown(meter.place, 16), "$faint"))
    link = _link(meter)
    if rows == 3 and _has_picture(meter):
        link = line(*_picture(meter, _SMALL_PICTURE, 1), fit_right(link, _WORD_WIDTH))
    first = spread(name, link, width)
    if meter.is_reference:
        return [first, _readings(meter, width), _reference_line(width)][:rows]
    if rows >= 7:
        return [first, _readings(meter, width), *_stretches(scene, meter, width), *_evidence_lines(meter, width)]
    differences = _differences(scene, meter)
    if rows == 4:
        return [first, _readings(meter, width), differences, _verdict(meter, width)]
    return [first, spread(_reading_parts(meter, short=True), differences, width), _verdict(meter, width)]


def _reading_parts(meter: MeterView, short: bool = False) -> Content:
    parts: list[Part] = [plain(meter.cadence_rpm), (" rpm", "$faint")]
    if math.isfinite(meter.left_share_pct):
        parts += [("  L " if short else "  left ", "$faint"), plain(meter.left_share_pct, 1), (" %", "$faint")]
    return line(*parts)


def _readings(meter: MeterView, width: int) -> Content:
    """Cadence and left share; at the right whatever is worth saying: a note, or how long until it is decided."""
    left = _reading_parts(meter)
    if meter.note:
        room = max(0, width - left.cell_length - 2)
        note = line((shown(meter.note, 80), "italic"))
        return line(fit(left, width - min(room, note.cell_length)), fit(note, min(room, note.cell_length)))
    if math.isfinite(meter.battery_pct) and (meter.battery_pct < 20 or width >= 56):
        return spread(left, line(("battery ", "$faint"), f"{plain(meter.battery_pct)} %"), width)
    return left


def _reference_line(width: int) -> Content:
    return line(("the reference: the others are held against it" if width >= 46 else "reference", "$faint"))


def _differences(scene: Scene, meter: MeterView) -> Content:
    parts: list[Part] = [(f"{span(scene.snapshot.window_s)} ", "$faint"), *_both(meter.window)]
    if meter.segment is not None:
        parts += [("  step ", "$faint"), *_both(meter.segment)]
    return line(*parts)


def _both(against: Against | None) -> list[Part]:
    if against is None:
        return [plain(math.nan)]
    return [
        (f"{signed(against.difference_w):>4}", "bold"),
        (" W", "$faint"),
        (f"{signed_pct(against.difference_pct):>6}", "bold"),
        (" %", "$faint"),
    ]


def _stretches(scene: Scene, meter: MeterView, width: int) -> list[Content]:
    """One line each for the window, this step and all steady steps: difference in W and %, and the word.

    The word of the one that the rail shows stands beside the rail.
    """
    named = (
        (f"last {span(scene.snapshot.window_s)}", meter.window),
        ("this step", meter.segment),
        ("steady steps", meter.steady),
    )
    lines = []
    for name, against in named:
        if against is None:
            lines.append(line((f"{name:<13}{plain(math.nan):>7}", "$faint")))
            continue
        watts, share = signed(against.difference_w), signed_pct(against.difference_pct)
        numbers = line((f"{name:<13}", "$faint"), (f"{watts:>7}", "bold"), " W", (f"{share:>8}", "bold"), " %")
        word = _word(against) if against is not evidence(meter)[1] else EMPTY
        lines.append(spread(numbers, fit(word, _WORD_WIDTH), width))
    return lines


def _evidence_lines(meter: MeterView, width: int) -> list[Content]:
    """The rail, and below it the same in numbers."""
    _, against = evidence(meter)
    if against is None or against.why_not:
        return [_verdict(meter, width)]
    numbers = f"{signed_pct(against.away_pct)} ± {plain(against.half_width_pct, 1)} %"
    tolerance = f", tolerance ± {plain(against.tolerance_pct, 1)} %"
    return [_verdict(meter, width), line((f"{'less chain':<13}", "$faint"), numbers, tolerance)]


def _verdict(meter: MeterView, width: int) -> Content:
    """The rail with its word; in place of the rail the reason where nothing can be said."""
    _, against = evidence(meter)
    if against is None:
        return line(("no reference to hold it against", "$faint"))
    if against.why_not:
        return spread(line((shown(against.why_not, 120), "italic")), fit(_word(against), _WORD_WIDTH), width)
    word = _word(against)
    more = _more(against, width)
    room = width - _WORD_WIDTH - more.cell_length - 1
    return line(fit(rail(against, min(room - 1 + room % 2, 61)), room), " ", fit(word, _WORD_WIDTH), more)


def _more(against: Against, width: int) -> Content:
    """How much more riding would decide; only where there is room."""
    wait = against.seconds_to_decide
    if width < _MORE_FROM_WIDTH:
        return EMPTY
    # The room is kept whether or not it is needed: all rails have one length, or they could not be compared.
    words = "" if against.word != "undecided" else f"~{roughly(wait)} more" if math.isfinite(wait) else "at the edge"
    return line((f"{words:>13}", "$faint"))


def _word(against: Against) -> Content:
    return line((f"{SIGNS[against.word]} {against.word}", f"bold ${against.word}"))


def _link(meter: MeterView) -> Content:
    style = "$faint" if meter.link == "live" else "bold reverse"
    return line((f" {link_words(meter)} ", style))
