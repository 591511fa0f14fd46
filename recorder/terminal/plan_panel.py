"""Knows how the plan is drawn: what is ridden now with one bar of its time, what comes next, what to beware of."""

from __future__ import annotations

import math

from textual.content import Content

from recorder.live_snapshot import PlanView, StepView
from recorder.terminal.figures import clock, plain
from recorder.terminal.lines import EMPTY, Part, fit, heading, line, paragraph, shown, spread
from recorder.terminal.scene import Scene

_CAUTION_LINES = 3
_STATE_WORDS = {"done": "done", "now": "now ▸", "next": "next", "later": "later", "skipped": "skipped"}


def plan_rows(scene: Scene, width: int) -> tuple[int, int]:
    """Least and full number of rows."""
    plan = scene.snapshot.plan
    if plan is None:
        return 1, 1
    least = 4 + len(_caution(plan, width)) + (2 if width < 60 else 0)
    return least, least + len(plan.steps) + 1


def draw_plan(scene: Scene, width: int, height: int) -> list[Content]:
    plan = scene.snapshot.plan
    if plan is None:
        return [fit(line(("no plan: the ride is free; m marks a moment", "$faint")), width)]
    head = [heading(f"plan: {shown(plan.name, 40)}", width), *_now(plan, width), _time_bar(plan, width)]
    head += [_coming(plan), *_caution(plan, width)]
    room = height - len(head) - 1
    if room >= 3:
        head += [EMPTY, *_steps(plan, width, room)]
    return head


def target_words(step: StepView) -> str:
    return f"{plain(step.target_w)} W" if step.target_w is not None else "free"


def _now(plan: PlanView, width: int) -> list[Content]:
    if plan.resting:
        return [line(("REST", "bold $strong"), "  easy spinning")] + ([EMPTY, EMPTY] if width < 60 else [])
    step = plan.step
    if step is None:
        return [line((_between(plan), "bold"))] + ([EMPTY, EMPTY] if width < 60 else [])
    aims: list[Part] = [(target_words(step), "bold $strong")]
    if plan.target_cadence_rpm is not None and math.isfinite(plan.target_cadence_rpm):
        aims += ["  ", (f"{plain(plan.target_cadence_rpm)} rpm", "bold $strong")]
    aims += ["  ", (shown(step.posture, 16), "bold $strong")]
    name: list[Part] = [("NOW ", "bold reverse"), " ", (shown(step.name, 48), "bold")]
    if width < 60:
        return [line(*name), line("    ", *aims), line(("    " + _until(plan), "$faint"))]
    return [
        spread(line(*name), line("  ", *aims, (f"  {_until(plan)}" if plan.until_decided else "", "$faint")), width)
    ]


def _until(plan: PlanView) -> str:
    return "ends when decided" if plan.until_decided else ""


def _between(plan: PlanView) -> str:
    states = {step.state for step in plan.steps}
    if states <= {"done", "skipped"}:
        return "the plan is done"
    return "between two steps" if "done" in states else "the plan has not begun: n begins it"


def _time_bar(plan: PlanView, width: int) -> Content:
    """The one bar of time: what is ridden of the present step, and what is left in figures."""
    if plan.step is None and not plan.resting:
        return EMPTY
    total = plan.elapsed_s + plan.left_s
    words = line((f" {clock(plan.left_s)}", "bold $strong"), (f" left of {clock(total)}", "$faint"))
    room = max(4, width - words.cell_length)
    share = plan.elapsed_s / total if math.isfinite(total) and total > 0 else 0.0
    ridden = min(room, max(0, int(share * room)))
    return line(("━" * ridden, "$strong"), ("╌" * (room - ridden), "$rule"), words)


def _coming(plan: PlanView) -> Content:
    if plan.announce:
        return line((f" ▸ {shown(plan.announce, 120)} ", "bold reverse"))
    following = next((step for step in plan.steps if step.state == "next"), None)
    if following is None:
        return line(("nothing after this", "$faint"))
    return line(
        ("next  ", "$faint"),
        shown(following.name, 40),
        f"  {target_words(following)}",
        (f"  {following.posture}", "$faint"),
    )


def _caution(plan: PlanView, width: int) -> list[Content]:
    words = f"! {shown(plan.caution, 240)}" if plan.caution else ""
    return paragraph(words, width, "bold $on-alarm on $alarm", _CAUTION_LINES)


def _steps(plan: PlanView, width: int, room: int) -> list[Content]:
    """The list in words; if it is longer than the room, the part around the present step."""
    at = next((i for i, s in enumerate(plan.steps) if s.state in ("now", "next")), len(plan.steps) - 1)
    first = max(0, min(at - room // 3, len(plan.steps) - room))
    return [_step(step, width) for step in plan.steps[first : first + room]]


def _step(step: StepView, width: int) -> Content:
    style = {"now": "bold $strong", "next": ""}.get(step.state, "$faint")
    left = line((f"{_STATE_WORDS[step.state]:<8}", style), (shown(step.name, 48), style))
    right = line((f"  {target_words(step):>7} {clock(step.seconds):>6}", style))
    return spread(left, right, width)
