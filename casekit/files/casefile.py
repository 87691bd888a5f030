"""What a case file may say: the machine, its faults, what the customer says and what is to be learnt."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from casekit.files.schema import Minutes, Name, NotNegative, Positive, Record, Share, Slug, Text, Word


class When(Record):
    """What makes an intermittent fault come and go.

    At `point` (a contact point, connector or sensor) something moves. Its displacement in millimetre is `rest_mm`, plus
    `torque_mm` at full engine torque, `heat_mm` when the machine is warm, `held` while an operation is held, and up to
    `shake_mm` of vibration while the engine runs. The fault is there while the displacement exceeds `gap_mm`.
    """

    point: Name
    gap_mm: Positive = 1.0
    rest_mm: NotNegative = 0.0
    torque_mm: float = 0.0
    heat_mm: float = 0.0
    shake_mm: NotNegative = 0.0
    held: dict[Word, float] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _can_come_and_go(self):
        pushes = [self.torque_mm, self.heat_mm, self.shake_mm, *self.held.values()]
        if self.rest_mm >= self.gap_mm:
            raise ValueError("rest_mm must be below gap_mm, otherwise the fault is always there")
        if self.rest_mm + sum(p for p in pushes if p > 0) <= self.gap_mm:
            raise ValueError("nothing lifts the displacement over gap_mm, so the fault never comes; raise torque_mm, "
                             "heat_mm, shake_mm or held")  # fmt: skip
        return self


Kind = Literal[
    "short to ground", "short to battery", "short between wires", "leak between cavities", "open", "high resistance",
    "crossed terminals", "sensor shorted", "sensor drifted", "sensor dead spot", "supply dead", "supply weak",
    "drawn on the wrong splice", "splice not drawn",
]  # fmt: skip


class Fault(Record):
    """One thing that is wrong: kind, place, size, and `when` if it comes and goes.

    `to` is the second wire of a short, the other cavity of a leak or of crossed terminals, or where a wire really
    goes although the drawing says otherwise: a splice, or (splice not drawn) a wire, `at_to` along it. `drift` is the
    error of a drifted sensor as a share of its supply, `span` the dead part of a track in shares of its travel.
    """

    kind: Kind
    place: str
    to: str | None = None
    contact: Name | None = None
    at: Share | None = None
    at_to: Share | None = None
    r_ohm: NotNegative | None = None
    limit_a: Positive | None = None
    drift: Annotated[float, Field(ge=-0.9, le=0.9)] | None = None
    span: tuple[Share, Share] | None = None
    when: When | None = None


class Plan(Record):
    """Minutes of an hour in class: telling the case, work at the bench, talking it over."""

    brief: Minutes
    bench: Minutes
    debrief: Minutes


class Instructor(Record):
    """Notes for whoever teaches the case: time plan, what to ask, what trainees get wrong, what to show next."""

    plan_min: Plan
    ask: Annotated[list[Text], Field(min_length=2)]
    slips: Annotated[list[Text], Field(min_length=2)]
    next: Text


class CaseFile(Record):
    """One case: a machine, its faults, what the customer says and what is to be learnt."""

    case: Slug
    machine: Slug
    title: Text
    complaint: Text
    story: Text
    codes: list[str] = Field(default_factory=list)
    teaches: Annotated[list[Text], Field(min_length=1)]
    faults: Annotated[list[Fault], Field(max_length=2)]  # none: the machine is good, and no fault can be found
    explanation: Text
    instructor: Instructor
