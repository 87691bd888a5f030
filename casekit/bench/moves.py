"""Moves: everything that is done to the machine. Each costs minutes and leaves one line in the log."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from casekit.bench import inspection, minutes, view
from casekit.bench.instruments import Instruments
from casekit.bench.reading import Finding, Move, Reading
from casekit.bench.sealed import unseal
from casekit.bench.workplace import plugs_named
from casekit.error import BenchError, hint
from casekit.machine import rules
from casekit.machine.intermittent import HANDS_MM, Push
from casekit.machine.state import LOAD

WATCH_S = 5.0  # how long hands move a harness, or rock an engine, while an instrument is watched
MOVED_UNSEEN = "the harness was moved before it was looked at: what touched or parted there may lie elsewhere now"
NEAR_ENGINE = "hands on the harness beside a running engine: keep clear of fan, belts and hot parts"


class Moves(Instruments):
    """Everything that is done to the machine."""

    def moves(self) -> pd.DataFrame:
        """What there is to be done, at its price: move, target, what it is, where, minutes.

        What is not possible as things stand says why when it is tried, and costs nothing.
        """
        rows: list[tuple] = [
            ("key", key, f"key {key}", "cab", minutes.KEY[key])
            for key in ("off", "on", "crank", "run") if key != self.state.key
        ]  # fmt: skip
        for name, title in self._operations().items():
            move = "release" if name in self.state.held else "operate"
            rows.append((move, name, title, "cab", minutes.OPERATE))
        for plug in self.drawing.plugs:
            move = "plug" if plug.name in self.state.unplugged else "unplug"
            rows.append((move, plug.name, plug.title, plug.where, self._reach(plug.name) + minutes.PLUG))
        for point in self.drawing.contact_points:
            wires = ", ".join(w for w, _ in point.wires)
            rows.append(("look", point.name, f"inspect the harness ({wires})", point.where,
                         self._reach(point.name) + minutes.LOOK))  # fmt: skip
        for plug in self.drawing.plugs:
            if plug.name in self.state.unplugged:
                rows.append(("look", plug.name, f"look into {plug.title}", plug.where, minutes.LOOK))
        for point in self.drawing.contact_points:
            rows.append(("shift", point.name, "shift the harness gently", point.where,
                         self._reach(point.name) + minutes.SHIFT))  # fmt: skip
            rows.append(("open_harness", point.name, "open the harness", point.where,
                         self._reach(point.name) + minutes.OPEN_HARNESS))  # fmt: skip
        rows += [
            ("rock", "", "rock the engine by hand", "engine", minutes.ROCK),
            ("warm_up", "", "let the engine run warm", "yard", minutes.WARM_UP),
            ("road_test", "", "road test", "road", minutes.ROAD_TEST),
            ("clear_codes", "", "clear the trouble codes", "cab", self._scan_cost() + minutes.CLEAR_CODES),
            ("prove", "", "prove the repair", "yard and road", minutes.PROVE + self._start_cost()),
        ]
        return pd.DataFrame(rows, columns=["move", "target", "what", "where", "minutes"])

    # Key and operations ---------------------------------------------------------------------------------------

    def key(self, position: str) -> str:
        """Turn the key: "off", "on" (engine stopped), "crank" (starter turns, fuel held back) or "run"."""
        self._open_for_work()
        if not isinstance(position, str) or position not in minutes.KEY:
            raise BenchError(f"the key has no position {position!r}; use 'off', 'on', 'crank' or 'run'.")
        apart = sorted(p for p in self.state.unplugged if self.drawing.plug(p).kind == "control unit")
        if position != "off" and apart:
            raise BenchError(
                f"the key stays off while control unit connector {apart[0]} is unplugged; plug {apart[0]} first."
            )
        if self.state.key == "off" and position != "off":
            unseal(self).memory.key_on()
        turned = self.drawing.turned(self.state, position)
        if position == "run" and not view.engine_runs(unseal(self).specimen.mix(turned, self.clock), turned):
            stays = self.drawing.turned(self.state, "on")
            self._live(replace(stays, key="crank"), minutes.KEY["run"] * 60)
            self._moved("key", "run: the engine cranks and does not start", minutes.KEY["run"], stays)
            return "the engine cranks and does not start; the key is on"
        self._moved("key", position, minutes.KEY[position], turned)
        return f"key {position}"

    def operate(self, name: str) -> str:
        """Do and hold something the machine can do: one of its operations, or "load" (the engine against a load)."""
        self._open_for_work()
        self._can_operate(name)
        self._moved("operate", name, minutes.OPERATE, replace(self.state, held=self.state.held | {name}))
        return f"{self._operations()[name]}" + self._stalled()

    def release(self, name: str) -> str:
        """Let go of what is held."""
        self._open_for_work()
        self._known_operation(name)
        if name not in self.state.held:
            raise BenchError(f"{name} is not held now.")
        self._moved("release", name, minutes.OPERATE, replace(self.state, held=self.state.held - {name}))
        return f"{name} released" + self._stalled()

    # Plugs ----------------------------------------------------------------------------------------------------

    def unplug(self, name: str) -> str:
        """Unplug a connector, a sensor, or the whole control unit by its name (key off first for the control unit)."""
        self._open_for_work()
        plugs = [p for p in plugs_named(self.drawing, name) if p.name not in self.state.unplugged]
        if not plugs:
            raise BenchError(f"{name} is unplugged already; plug it first.")
        if self.state.key != "off" and any(p.kind == "control unit" for p in plugs):
            raise BenchError(f"turn the key off before unplugging {name}: never unplug a powered control unit.")
        for plug in plugs:
            cost = self._reach(plug.name) + minutes.PLUG
            self._reached.add(plug.name)
            self._moved("unplug", plug.name, cost, replace(self.state, unplugged=self.state.unplugged | {plug.name}))
        return f"{name} is unplugged" + self._stalled()

    def plug(self, name: str) -> str:
        """Plug a connector, a sensor, or the whole control unit in again."""
        self._open_for_work()
        plugs = [p for p in plugs_named(self.drawing, name) if p.name in self.state.unplugged]
        if not plugs:
            raise BenchError(f"{name} is plugged in already.")
        if self.state.key != "off" and any(p.kind == "control unit" for p in plugs):
            raise BenchError(f"turn the key off before plugging {name} in: never plug into a powered control unit.")
        for lead in (end for pair in sorted(self.state.joined) for end in pair):
            if any(lead in plug.device and plug.kind != "in-line" for plug in plugs):
                raise BenchError(f"there is a jumper on the bare pin {lead}; take it off before {name} is plugged in.")
        for plug in plugs:
            self._moved(
                "plug", plug.name, minutes.PLUG, replace(self.state, unplugged=self.state.unplugged - {plug.name})
            )
        return f"{name} is plugged in" + self._stalled()

    # Looking --------------------------------------------------------------------------------------------------

    def look(self, place: str) -> Finding:
        """Look closely: at the harness at a contact point, without moving it, or into a connector that is unplugged.

        At a contact point lasting damage is found 19 times in 20, one that comes and goes three times in four and only
        as a rub mark; one place in twelve shows a rub mark that means nothing.
        """
        self._open_for_work()
        point, plug = self.drawing.contact_point(place), self.drawing.plug(place)
        if point is None and plug is None:
            known = [p.name for p in self.drawing.contact_points]
            raise BenchError(
                f"{place!r} is neither a contact point nor a connector; contact points are {', '.join(known)}."
                f"{hint(place, known)}"
            )
        if point is None and plug.name not in self.state.unplugged:
            raise BenchError(f"{place} is plugged and shows only its outside; unplug it to look into it.")
        self._pass(self._reach(place) + minutes.LOOK)
        self._reached.add(place)
        specimen = unseal(self).specimen
        if point:
            return self._found(place, inspection.at_contact_point(specimen, self.drawing, point))
        return self._found(place, inspection.inside(specimen, plug, self.drawing))

    def open_harness(self, place: str) -> Finding:
        """Open the harness at a contact point or a splice: what is wrong there is seen; a splice can then be probed."""
        self._open_for_work()
        splices = self.drawing.splices()
        point = self.drawing.contact_point(place)
        if point is None and place not in splices:
            known = [*(p.name for p in self.drawing.contact_points), *splices]
            raise BenchError(f"{place!r} is not a contact point or a splice of this machine.{hint(place, known)}")
        risk = self._unseen(place) if point else ""
        specimen = unseal(self).specimen
        if point:
            sight = inspection.opened_at(specimen, self.drawing, point)
        else:
            sight = inspection.opened_splice(specimen, self.drawing, place)
        state = self.state if point else replace(self.state, bared=self.state.bared | {place})
        self._moved("open harness", place, self._reach(place) + minutes.OPEN_HARNESS, state, risk)
        self._reached.add(place)
        if point:
            specimen.shift(place, "gently")
            self._touched += 1
        return self._found(place, sight)

    def notice(self) -> Finding:
        """What a driver would notice in the state the machine is in."""
        self._open_for_work()
        program, specimen = self.drawing.program, unseal(self).specimen
        what = view.view(self._mix(), self.state)
        if self.state.key != "off" and not what.alive:
            lines = [f"{rules.DARK}: the control unit has no power"]
        else:
            loose = specimen.wavers(self.state)
            wavers = loose and bool(self._faults_seen(self.state))
            # What comes and goes has no value that could be seen to be wrong.
            off = {} if loose else rules.visibly_off(program, what, view.healthy(specimen.built, self.state))
            lines = rules.behaviour(program, self._counted(self.state), self.state, wavers, off)
        return self._found("driver", inspection.Sight("; ".join(lines) or rules.USUAL))

    # Hands ----------------------------------------------------------------------------------------------------

    def shift(self, place: str, how: str = "gently", watch: tuple[str, str] | None = None) -> Reading | str:
        """Move the harness at a contact point, an in-line connector or a sensor, "gently" or "hard".

        `watch` is a pair of points whose volts are kept as min/max meanwhile. Moved before it was looked at, a fault
        may hide: it can take a road test to bring it back.
        """
        self._open_for_work()
        if how not in HANDS_MM:
            raise BenchError(f"a harness is shifted 'gently' or 'hard', not {how!r}.")
        plug = self.drawing.plug(place)
        if self.drawing.contact_point(place) is None and (plug is None or plug.kind == "control unit"):
            loose = [p for p in self.drawing.plugs if p.kind != "control unit"]
            known = [p.name for p in (*self.drawing.contact_points, *loose)]
            raise BenchError(
                f"there is no harness to shift at {place!r}; name a contact point, an in-line connector or a sensor."
                f"{hint(place, known)}"
            )
        cost = self._reach(place) + minutes.SHIFT
        push = Push(place, HANDS_MM[how])
        risk = "; ".join(r for r in (self._unseen(place), NEAR_ENGINE if self.state.turning else "") if r)
        return self._pushed("shift", f"{place} {how}", cost, push, watch, risk, place, how)

    def rock(self, watch: tuple[str, str] | None = None) -> Reading | str:
        """Rock the engine on its mounts by hand, engine stopped; `watch` as for shift."""
        self._open_for_work()
        if self.state.turning:
            raise BenchError("the engine turns; stop it before you put hands on it.")
        return self._pushed("rock", "engine", minutes.ROCK, unseal(self).specimen.rock(), watch)

    def warm_up(self) -> str:
        """Let the engine run until everything is warm."""
        self._open_for_work()
        self._running("warm up")
        self._moved("warm up", "engine", minutes.WARM_UP, replace(self.state, hot=True))
        self._touched += 1
        return "everything is warm" + self._stalled()

    def road_test(self, watch: tuple[str, str] | None = None) -> Reading | str:
        """Drive: idle, load, every operation, warm. It brings back what was shaken away; `watch` as for shift."""
        self._open_for_work()
        self._running("road test")
        self._everything_plugged("road test")
        if watch:
            self._lead(watch)
        noticed = self._driven(minutes.ROAD_TEST, watch)
        finding = self._found("driver", inspection.Sight(noticed))
        return next(e for e in reversed(self.events) if isinstance(e, Reading)) if watch else finding.text

    # Inside ---------------------------------------------------------------------------------------------------

    def _pushed(self, action, what, cost, push: Push, watch, risk: str = "", place: str = "", how: str = ""):
        """Hands at work, with an instrument watched or not; then the harness lies as they left it."""
        if watch:
            self._lead(watch, more=cost)
        else:
            self._pass(cost)
        reading = self._watched(watch, WATCH_S, push) if watch else None
        if place:
            self._reached.add(place)
            unseal(self).specimen.shift(place, how)
        self._touched += 1
        self._moved(action, what, 0.0, self.state, risk)
        stalled = self._stalled()
        words = f"the harness at {place} was shifted {how}" if place else "the engine was rocked by hand"
        return reading or f"{words}{stalled}"

    def _driven(self, cost: float, watch: tuple[str, str] | None) -> str:
        """Minutes on the road: everything the machine can do, one after another; what was noticed."""
        specimen = unseal(self).specimen
        specimen.shaken()
        self._touched += 1
        states = self.drawing.drive(self.state)
        noticed: dict[str, list[str]] = {}
        for state in states:
            lasting = self._live(state, cost * 60 / len(states))
            counted = [f for f, longest in lasting.items() if longest >= f.debounce_s]
            flickers = specimen.wavers(state) and bool(lasting)
            if not view.engine_runs(specimen.mix(state, self.clock), state):
                noticed.setdefault("the engine cut out", []).append(str(state))
            if counted or flickers:
                texts = sorted({f"{f.channel}: {f.text}" for f in counted}) or ["something flickered"]
                noticed.setdefault(", ".join(texts), []).append(str(state))
            self.clock += cost / len(states)
            if watch and LOAD in state.held:
                self.state = state
                self._watched(watch, WATCH_S, None)
        self.state = replace(states[0], key="on")
        self.events.append(Move("road test", "idle, load, every operation, warm", self.state, self.clock))
        said = [
            f"{what} ({'; '.join(when) if len(when) < len(states) else 'throughout'})" for what, when in noticed.items()
        ]
        return "; ".join(said) or rules.USUAL

    def _found(self, place: str, sight: inspection.Sight) -> Finding:
        finding = Finding(place, sight.text, sight.damaged, self.state, self.clock, sight.mark, sight.kind)
        self.events.append(finding)
        return finding

    def _unseen(self, place: str) -> str:
        """The risk of moving the harness at a contact point nobody has looked at yet."""
        looked = any(isinstance(e, Finding) and e.point == place for e in self.events)
        return "" if looked or self.drawing.contact_point(place) is None else MOVED_UNSEEN

    def _operations(self) -> dict[str, str]:
        return {o.name: o.title for o in self.drawing.operations} | {LOAD: "the engine works against a load"}

    def _known_operation(self, name: str) -> None:
        known = self._operations()
        if name not in list(known):
            raise BenchError(f"this machine cannot {name!r}; it can: {', '.join(known)}.{hint(name, known)}")

    def _can_operate(self, name: str) -> None:
        self._known_operation(name)
        if name in self.state.held:
            raise BenchError(f"{name} is held already; release it first.")
        needs = next((o.needs for o in self.drawing.operations if o.name == name), "run")
        if self.state.key != "run" and (needs == "run" or self.state.key != "on"):
            raise BenchError(f"{name} needs the key in {needs}, and it is {self.state.key}.")

    def _start_cost(self) -> float:
        return 0.0 if self.state.key == "run" else minutes.KEY["run"]

    def _running(self, what: str) -> None:
        if self.state.key != "run":
            raise BenchError(f"{what}: the engine must run first; turn the key to run.")

    def _everything_plugged(self, what: str) -> None:
        if self.state.unplugged:
            apart = sorted(self.state.unplugged)
            verb = "is" if len(apart) == 1 else "are"
            raise BenchError(f"{what}: {', '.join(apart)} {verb} still unplugged; plug everything in first.")
