"""From a case file to its faults, as values."""

from __future__ import annotations

from casekit.files.casefile import CaseFile, Fault
from casekit.machine import faults
from casekit.machine.intermittent import Intermittent
from casekit.machine.machine import Machine


def faults_of(case: CaseFile, machine: Machine) -> tuple[faults.Fault | Intermittent, ...]:
    """The faults a case file describes."""
    return tuple(_fault(f, machine) for f in case.faults)


def _fault(f: Fault, machine: Machine) -> faults.Fault | Intermittent:
    fault = _lasting(f, machine)
    if f.when is None:
        return fault
    w = f.when
    return Intermittent(fault, w.point, w.gap_mm, w.rest_mm, w.torque_mm, w.heat_mm, w.shake_mm, tuple(w.held.items()))


def _lasting(f: Fault, machine: Machine) -> faults.Fault:
    spots = dict(machine.contact_point(f.contact).wires) if f.contact else {}
    at = spots.get(f.place, 0.5 if f.at is None else f.at)
    at_to = spots.get(f.to, 0.5 if f.at_to is None else f.at_to)
    match f.kind:
        case "short to ground":
            return faults.ShortToGround(f.place, f.r_ohm, at)
        case "short to battery":
            return faults.ShortToBattery(f.place, f.r_ohm, at)
        case "short between wires":
            return faults.ShortBetweenWires(f.place, f.to, f.r_ohm, at, at_to)
        case "leak between cavities":
            return faults.LeakBetweenCavities(f.place, f.to, f.r_ohm)
        case "open":
            return faults.Open(f.place, at)
        case "high resistance":
            return faults.HighResistance(f.place, f.r_ohm, at)
        case "crossed terminals":
            return faults.CrossedTerminals(f.place, f.to)
        case "sensor shorted":
            return faults.SensorShorted(f.place, f.r_ohm)
        case "sensor drifted":
            return faults.SensorDrifted(f.place, f.drift)
        case "sensor dead spot":
            return faults.SensorDeadSpot(f.place, f.span)
        case "supply dead":
            return faults.SupplyDead(f.place)
        case "supply weak":
            return faults.SupplyWeak(f.place, f.limit_a)
        case "drawn on the wrong splice":
            return faults.DrawnOnWrongSplice(f.place, f.to)
    return faults.SpliceNotDrawn(f.place, f.to, at_to)
