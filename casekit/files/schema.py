"""What a machine file and a case file may say: every key, its unit, its bounds and its default.

In: plain data from `source`. Out: frozen records. SI units; the unit is the end of the key
(`_v` volt, `_a` ampere, `_ohm`, `_m` metre, `_mm2`, `_c` degrees Celsius, `_min` minutes).
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Name = Annotated[str, Field(pattern=r"^[A-Z][A-Z0-9]{0,7}$")]
Slug = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]
Text = Annotated[str, Field(min_length=1, max_length=2000)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1)]
Minutes = Annotated[float, Field(gt=0, le=240)]


class Record(BaseModel):
    """Base: unknown keys are errors, values do not change after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Battery(Record):
    """Battery and charging system: open-circuit voltage with the engine stopped and running."""

    name: Name = "G1"
    rest_v: Annotated[float, Field(gt=6, lt=60)] = 12.6
    run_v: Annotated[float, Field(gt=6, lt=60)] = 14.2
    r_ohm: Positive = 0.012


class Ground(Record):
    """A ground stud bolted to the chassis."""

    where: Text
    r_ohm: Positive = 0.0005
    access_min: Minutes = 1


class Fuse(Record):
    """A fuse in the battery feed."""

    rating_a: Positive
    r_ohm: Positive = 0.006
    access_min: Minutes = 1


class KeySwitch(Record):
    """The key switch: open in `off`, closed in `on` and `run`."""

    name: Name = "S1"
    r_ohm: Positive = 0.01


class Supply(Record):
    """A regulated sensor supply of the control unit; all `pins` are one regulator."""

    pins: Annotated[list[str], Field(min_length=1)]
    nominal_v: Annotated[float, Field(gt=1, lt=15)] = 5.0
    tolerance: Annotated[float, Field(ge=0, le=0.1)] = 0.01
    r_ohm: Positive = 0.05
    limit_a: Annotated[float, Field(gt=0, le=5)] = 0.25
    protection: Literal["constant-current", "foldback"] = "constant-current"
    short_a: Annotated[float, Field(gt=0, le=5)] | None = None
    dropout_v: NotNegative = 0.4

    @model_validator(mode="after")
    def _foldback_has_short_current(self):
        if (self.protection == "foldback") != (self.short_a is not None):
            raise ValueError("short_a goes with protection: foldback, and only with it")
        if self.short_a is not None and self.short_a >= self.limit_a:
            raise ValueError("short_a must be below limit_a, otherwise nothing folds back")
        return self


class Input(Record):
    """A control unit input: one pull resistor (100 kohm to ground unless given) and clamps behind `clamp_ohm`."""

    pull_up_ohm: Positive | None = None
    pull_down_ohm: Positive | None = None
    clamp_ohm: Positive = 10_000

    @model_validator(mode="after")
    def _one_pull(self):
        if self.pull_up_ohm is not None and self.pull_down_ohm is not None:
            raise ValueError("give pull_up_ohm or pull_down_ohm, one of the two")
        return self


class Header(Record):
    """A connector of the control unit."""

    cavities: Annotated[int, Field(ge=1, le=200)]
    access_min: Minutes = 5
    r_ohm: Positive = 0.008


class ControlUnit(Record):
    """The control unit: its connectors, feed, grounds, sensor supplies, returns and inputs."""

    name: Name = "A1"
    connectors: Annotated[dict[Name, Header], Field(min_length=1)]
    feed: str
    grounds: Annotated[list[str], Field(min_length=1)]
    load_a: Annotated[float, Field(gt=0, le=20)] = 0.4
    supplies: Annotated[dict[Name, Supply], Field(min_length=1)]
    returns: Annotated[list[str], Field(min_length=1)]
    inputs: dict[str, Input]


class Connector(Record):
    """An in-line connector. The half nearer the control unit is `f` (sockets), the far one `m` (pins)."""

    cavities: Annotated[int, Field(ge=1, le=200)]
    where: Text
    r_ohm: Positive = 0.006
    access_min: Minutes = 4


class Splice(Record):
    """A taped splice: it cannot be probed."""

    where: Text


class Values(Record):
    """The operating variable of a sensor with key on (engine stopped) and with the engine running."""

    on: float
    run: float


class Sensor(Record):
    """What every sensor has."""

    title: Text
    where: Text
    r_ohm: Positive = 0.01
    access_min: Minutes = 3


class Ranged(Sensor):
    """A sensor with a measuring range; `low` and `high` are its output at the ends, as shares of its supply."""

    unit: Text
    range: tuple[float, float]
    at: Values
    low: Share = 0.1
    high: Share = 0.9

    @model_validator(mode="after")
    def _inside_range(self):
        if self.range[0] >= self.range[1]:
            raise ValueError("range must run from the smaller to the larger value")
        for key in ("on", "run"):
            if not self.range[0] <= getattr(self.at, key) <= self.range[1]:
                raise ValueError(f"at.{key} must lie inside range")
        return self


class Potentiometer(Ranged):
    """Three-wire potentiometer: 1 supply, 2 signal, 3 return."""

    type: Literal["potentiometer"]
    track_ohm: Positive = 5000
    wiper_ohm: Positive = 100


class DoublePotentiometer(Ranged):
    """Two tracks on one shaft: 1 supply, 2 signal, 3 return; 4 supply, 5 signal, 6 return."""

    type: Literal["double potentiometer"]
    track_ohm: Positive = 5000
    wiper_ohm: Positive = 100
    low2: Share = 0.05
    high2: Share = 0.45


class PressureSensor(Ranged):
    """Ratiometric pressure sensor with an output stage: 1 supply, 2 signal, 3 return."""

    type: Literal["pressure"]
    draw_a: Positive = 0.008
    out_ohm: Positive = 50
    out_limit_a: Positive = 0.01
    brown_out_v: Positive = 4.0


class HallSwitch(Sensor):
    """Hall switch with open collector: 1 supply, 2 signal, 3 return. `target` is what it faces at rest."""

    type: Literal["hall"]
    target: bool = False
    draw_a: Positive = 0.006
    on_ohm: Positive = 25
    out_limit_a: Positive = 0.04
    brown_out_v: Positive = 3.8


class Thermistor(Sensor):
    """Two-wire NTC thermistor: 1 signal, 2 return; `at` in degrees Celsius."""

    type: Literal["thermistor"]
    at: Values


class InductivePickup(Sensor):
    """Two-wire inductive pick-up: 1 signal, 2 return. It needs no supply."""

    type: Literal["inductive"]
    coil_ohm: Positive = 860


AnySensor = Annotated[
    Potentiometer | DoublePotentiometer | PressureSensor | HallSwitch | Thermistor | InductivePickup,
    Field(discriminator="type"),
]


class Wire(Record):
    """A run of wire from the control unit outwards; an in-line connector on the way makes two pieces, a and b."""

    wire: Name
    path: Annotated[list[str], Field(min_length=2)]
    length_m: Positive | list[Positive]
    colour: Text
    area_mm2: Annotated[float, Field(ge=0.05, le=120)] = 0.5
    temp_c: Annotated[float, Field(ge=-60, le=200)] = 20


class ContactPoint(Record):
    """A place where the harness touches metal; `wires` says how far along each wire (0 to 1) it lies."""

    where: Text
    wires: Annotated[dict[str, Share], Field(min_length=1)]
    access_min: Minutes = 4


class MachineFile(Record):
    """One machine as drawn."""

    machine: Slug
    title: Text
    about: Text
    battery: Battery = Battery()
    fuses: dict[Name, Fuse]
    key_switch: KeySwitch = KeySwitch()
    grounds: Annotated[dict[Name, Ground], Field(min_length=1)]
    control_unit: ControlUnit
    connectors: dict[Name, Connector] = {}
    splices: dict[Name, Splice] = {}
    sensors: Annotated[dict[Name, AnySensor], Field(min_length=1)]
    wires: Annotated[list[Wire], Field(min_length=1)]
    contact_points: dict[Name, ContactPoint] = {}


class Fault(Record):
    """What is wrong with the machine of a case: kind, place, size."""

    kind: Literal[
        "short to ground", "short to battery", "short between wires", "open", "high resistance",
        "sensor shorted", "supply dead", "supply weak",
    ]  # fmt: skip
    place: str
    to: str | None = None
    contact: Name | None = None
    at: Share | None = None
    r_ohm: NotNegative | None = None
    limit_a: Positive | None = None


class CaseFile(Record):
    """One case: a machine, its fault, what the customer says and what is to be learnt."""

    case: Slug
    machine: Slug
    title: Text
    complaint: Text
    story: Text
    codes: list[str] = []
    teaches: Annotated[list[Text], Field(min_length=1)]
    fault: Fault
    explanation: Text
