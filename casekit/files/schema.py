"""What a machine file may say: every key, its unit, its bounds and its default.

In: plain data from `source`. Out: frozen records. SI units; the unit is the end of the key
(`_v` volt, `_a` ampere, `_ohm`, `_f` farad, `_s` second, `_hz`, `_m` metre, `_mm2`, `_c` degrees Celsius,
`_min` minutes).
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Name = Annotated[str, Field(pattern=r"^[A-Z][A-Z0-9]{0,7}$")]
Word = Annotated[str, Field(pattern=r"^[a-z][a-z ]{1,19}$")]
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
    """Battery and charging system: open-circuit voltage with the engine stopped, running and (lowest) cranking."""

    name: Name = "G1"
    rest_v: Annotated[float, Field(gt=6, lt=60)] = 12.6
    run_v: Annotated[float, Field(gt=6, lt=60)] = 14.2
    crank_v: Annotated[float, Field(gt=3, lt=60)] = 9.6
    r_ohm: Positive = 0.012

    @model_validator(mode="after")
    def _cranking_is_lowest(self):
        if not self.crank_v < self.rest_v <= self.run_v:
            raise ValueError("crank_v must be below rest_v, and rest_v not above run_v")
        if self.crank_v < self.rest_v / 2:
            raise ValueError("crank_v must be at least half of rest_v; give a 24 V machine about 18")
        if self.run_v > 1.25 * self.rest_v:
            raise ValueError("run_v must be at most a quarter above rest_v; the two belong to one battery")
        return self


class Engine(Record):
    """The engine's speeds in revolutions a minute: cranking, idling, and working under load."""

    crank_rpm: Annotated[float, Field(ge=50, le=600)] = 200
    idle_rpm: Annotated[float, Field(ge=300, le=2000)] = 800
    load_rpm: Annotated[float, Field(ge=500, le=6000)] = 1800
    cylinders: Annotated[int, Field(ge=1, le=16)] = 4

    @model_validator(mode="after")
    def _speeds_rise(self):
        if not self.crank_rpm < self.idle_rpm <= self.load_rpm:
            raise ValueError("crank_rpm must be below idle_rpm, and idle_rpm not above load_rpm")
        return self


class Operation(Record):
    """Something the operator can hold, such as a raised boom; `needs` is the key position it takes."""

    title: Text
    needs: Literal["on", "run"] = "run"
    travel_s: Annotated[float, Field(gt=0, le=30)] = 1.0


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


class SupplyCodes(Record):
    """Trouble codes of a supply: too low, too high."""

    low: str | None = None
    high: str | None = None


class Supply(Record):
    """A regulated sensor supply of the control unit; all `pins` are one regulator.

    Under a short it holds its limit, folds back to `short_a`, or retries: on for `on_s`, off for `off_s`.
    """

    pins: Annotated[list[str], Field(min_length=1)]
    nominal_v: Annotated[float, Field(gt=1, lt=15)] = 5.0
    tolerance: Annotated[float, Field(ge=0, le=0.1)] = 0.01
    r_ohm: Positive = 0.05
    limit_a: Annotated[float, Field(gt=0, le=5)] = 0.25
    protection: Literal["constant-current", "foldback", "retry"] = "constant-current"
    short_a: Annotated[float, Field(gt=0, le=5)] | None = None
    on_s: Annotated[float, Field(gt=0, le=10)] | None = None
    off_s: Annotated[float, Field(gt=0, le=10)] | None = None
    dropout_v: NotNegative = 0.4
    out_f: Annotated[float, Field(gt=0, le=1e-3)] = 4.7e-6
    codes: SupplyCodes = SupplyCodes()

    @model_validator(mode="after")
    def _foldback_has_short_current(self):
        if (self.protection == "foldback") != (self.short_a is not None):
            raise ValueError("short_a goes with protection: foldback, and only with it")
        if self.short_a is not None and self.short_a >= self.limit_a:
            raise ValueError("short_a must be below limit_a, otherwise nothing folds back")
        return self

    @model_validator(mode="after")
    def _retry_has_times(self):
        if {self.protection == "retry"} != {self.on_s is not None, self.off_s is not None}:
            raise ValueError("on_s and off_s go with protection: retry, and only with it")
        return self


PULL_DOWN_OHM = 100_000.0  # of an input that names no pull resistor


class Input(Record):
    """A control unit input: one pull resistor (`PULL_DOWN_OHM` to ground unless given), then `filter_ohm` to a node
    with `filter_f` to ground and two clamps, where the converter measures."""

    pull_up_ohm: Positive | None = None
    pull_down_ohm: Positive | None = None
    filter_ohm: Positive = 10_000
    filter_f: Annotated[float, Field(gt=0, le=1e-4)] = 1e-7

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
    adc_bits: Annotated[int, Field(ge=6, le=16)] = 10
    adc_hz: Annotated[float, Field(ge=50, le=20_000)] = 1000
    scan_hz: Annotated[float, Field(ge=0.5, le=50)] = 5


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
    """The operating variable of a sensor: key on with the engine stopped (cold), engine running (warm), under load
    where that differs, and `held` by an operation. `load` may also stand among the keys of `held`."""

    on: float
    run: float
    load: float | None = None
    held: dict[Word, float] = {}


class Ripple(Record):
    """A periodic part of the operating variable: `amount` up and down, `per_rev` times an engine revolution."""

    amount: Positive
    per_rev: Annotated[float, Field(gt=0, le=20)] = 2


class Wheel(Record):
    """A toothed wheel before a speed sensor: `teeth` places of which `missing` are left out in a row, turning
    `turns` times for each engine revolution. `tooth` is the share of a pitch that is tooth."""

    teeth: Annotated[int, Field(ge=1, le=60)] = 20
    missing: Annotated[int, Field(ge=0, le=4)] = 0
    turns: Annotated[float, Field(gt=0, le=10)] = 1
    tooth: Annotated[float, Field(ge=0.1, le=0.9)] = 0.5

    @model_validator(mode="after")
    def _some_are_left(self):
        if self.missing >= self.teeth:
            raise ValueError("missing must be less than teeth, otherwise no tooth is left")
        return self


class SensorCodes(Record):
    """Trouble codes of a sensor circuit: too low, too high (of the second track too), no signal, implausible."""

    low: str | None = None
    high: str | None = None
    low2: str | None = None
    high2: str | None = None
    missing: str | None = None
    mismatch: str | None = None


class Sensor(Record):
    """What every sensor has. `lost` is what the driver notices when the control unit has no good signal of it."""

    title: Text
    where: Text
    r_ohm: Positive = 0.01
    access_min: Minutes = 3
    codes: SensorCodes = SensorCodes()
    substitute: float | None = None
    works: Text | None = None
    lost: Text | None = None


class Ranged(Sensor):
    """A sensor with a measuring range; `low` and `high` are its output at the ends, as shares of its supply."""

    unit: Text
    range: tuple[float, float]
    at: Values
    ripple: Ripple | None = None
    low: Share = 0.1
    high: Share = 0.9

    @model_validator(mode="after")
    def _inside_range(self):
        if self.range[0] >= self.range[1]:
            raise ValueError("range must run from the smaller to the larger value")
        held = {f"held.{word}": value for word, value in self.at.held.items()}
        values = {"on": self.at.on, "run": self.at.run, "load": self.at.load, **held}
        for key, value in values.items():
            if value is not None and not self.range[0] <= value <= self.range[1]:
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


Role = Literal["crank", "cam", "speed", "position"]


class HallSwitch(Sensor):
    """Hall switch with open collector: 1 supply, 2 signal, 3 return. `target` is what it faces at rest."""

    type: Literal["hall"]
    target: bool = False
    wheel: Wheel = Wheel()
    role: Role = "speed"
    draw_a: Positive = 0.006
    on_ohm: Positive = 25
    out_limit_a: Positive = 0.04
    brown_out_v: Positive = 3.8


class Thermistor(Sensor):
    """Two-wire NTC thermistor: 1 signal, 2 return; `at` in degrees Celsius."""

    type: Literal["thermistor"]
    at: Values


class Platinum(Sensor):
    """Two-wire platinum resistance thermometer: 1 signal, 2 return; `at` in degrees Celsius."""

    type: Literal["platinum"]
    at: Values
    r0_ohm: Positive = 200


class InductivePickup(Sensor):
    """Two-wire inductive pick-up: 1 signal, 2 return. It needs no supply."""

    type: Literal["inductive"]
    coil_ohm: Positive = 860
    wheel: Wheel = Wheel(missing=1)
    volts_at_1000_rpm: Annotated[float, Field(gt=0.1, le=100)] = 6
    role: Role = "crank"


AnySensor = Annotated[
    Potentiometer | DoublePotentiometer | PressureSensor | HallSwitch | Thermistor | Platinum | InductivePickup,
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
    """One machine as drawn. `weights` is experience with it: how many times as often as usual a kind of fault, or a
    fault at a connector, a contact point, a sensor or a piece of wire, is met; what is not named weighs 1."""

    machine: Slug
    title: Text
    about: Text
    battery: Battery = Battery()
    engine: Engine = Engine()
    operations: dict[Word, Operation] = {}
    fuses: dict[Name, Fuse]
    key_switch: KeySwitch = KeySwitch()
    grounds: Annotated[dict[Name, Ground], Field(min_length=1)]
    control_unit: ControlUnit
    connectors: dict[Name, Connector] = {}
    splices: dict[Name, Splice] = {}
    sensors: Annotated[dict[Name, AnySensor], Field(min_length=1)]
    wires: Annotated[list[Wire], Field(min_length=1)]
    contact_points: dict[Name, ContactPoint] = {}
    weights: dict[str, Positive] = {}
