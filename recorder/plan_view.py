"""The plan as a screen shows it: what is ridden now, what comes, and which care it asks for; pure."""

from __future__ import annotations

import math
from typing import Literal

from analysis.plan_file import Plan, Turn
from recorder.control_words import Tell
from recorder.live_snapshot import PlanView, StepView

ANNOUNCE_S = 10.0
CAUTION_S = 30.0
LONGEST_AHEAD_S = 5.0
CARE = "stop on pain, dizziness or chest discomfort"
_CAUTIONS = {
    "sprint": f"only if you are warm and well; bicycle and trainer secured; {CARE}.",
    "sway": f"bicycle and trainer secured, hold on firmly; {CARE}.",
}
_EFFORTS = {"sprint": "Maximal effort", "sway": "Side-to-side effort"}


def plan_view(plan: Plan, tell: Tell, now_s: float) -> PlanView:
    """`now_s` is a little later than the recorder's last word; time goes on meanwhile."""
    turns = list(plan.turns())
    present = turns[tell.turn] if tell.turn is not None and tell.turn < len(turns) else None
    coming = turns[tell.coming] if tell.coming is not None and tell.coming < len(turns) else None
    under_way = present is not None or tell.resting
    ahead_s = min(max(now_s - tell.recorded_s, 0.0), LONGEST_AHEAD_S) if under_way else 0.0
    left_s = max(tell.turn_left_s - ahead_s, 0.0)
    steps = tuple(_step_view(turn, _state(number, tell, len(turns))) for number, turn in enumerate(turns))
    return PlanView(
        name=plan.plan.name,
        steps=steps,
        step=None if present is None else _step_view(present, "now"),
        target_cadence_rpm=None if present is None else present.step.cadence_rpm,
        elapsed_s=tell.turn_elapsed_s + ahead_s,
        left_s=left_s,
        until_decided=present is not None and present.step.until == "decided",
        resting=tell.resting,
        announce=tell.question or (_announce(present, coming, left_s) if under_way else ""),
        caution=_caution(present, coming, soon=tell.resting or (under_way and left_s <= CAUTION_S)),
    )


def _state(number: int, tell: Tell, count: int) -> Literal["done", "now", "next", "later", "skipped"]:
    if number == tell.turn:
        return "now"
    if number in tell.skipped:
        return "skipped"
    if number == tell.coming:
        return "next"
    ahead = [n for n in (tell.turn, tell.coming) if n is not None]
    reached = max(ahead) if ahead else count if tell.plan_begun else 0
    return "done" if number < reached else "later"


def _step_view(turn: Turn, state: Literal["done", "now", "next", "later", "skipped"]) -> StepView:
    step = turn.step
    return StepView(_name(turn), step.kind, step.seconds, step.target_w, step.posture, state)


def _name(turn: Turn) -> str:
    return turn.step.name if turn.step.repeat == 1 else f"{turn.step.name} #{turn.repeat_no}"


def _announce(present: Turn | None, coming: Turn | None, left_s: float) -> str:
    if left_s > ANNOUNCE_S:
        return ""
    when = f"in {math.ceil(left_s)} s: "
    if coming is None:
        return when + "the plan ends"
    if present is not None and coming.rest_s:
        return when + f"easy for {coming.rest_s:g} s"
    step = coming.step
    target = "" if step.target_w is None else f", {step.target_w:g} W"
    cadence = "" if step.cadence_rpm is None else f", {step.cadence_rpm:g} rpm"
    posture = "" if step.posture == "seated" else f", {step.posture}"
    return f"{when}{_name(coming)}{target}{cadence}{posture}"


def _caution(present: Turn | None, coming: Turn | None, *, soon: bool) -> str:
    if present is not None and present.step.kind in _CAUTIONS:
        return f"{_EFFORTS[present.step.kind]}: {_CAUTIONS[present.step.kind]}"
    if soon and coming is not None and coming.step.kind in _CAUTIONS:
        return f"{_EFFORTS[coming.step.kind]} next: {_CAUTIONS[coming.step.kind]}"
    return ""
