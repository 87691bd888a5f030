"""Cautions: what a simulated circuit cannot hurt and a real one can, said in the same words on screen and on paper."""

from __future__ import annotations

CAUTION = (
    "On a real machine: stop it, chock it, keep clear of moving and hot parts, keep airbag and high-voltage circuits "
    "alone, and follow the maker's service information. Ohms on dead circuits only; no test lamp on electronics."
)
"""The short form, for screens that are always in view."""
CAUTIONS = (
    "Real machines move, burn, crush and explode: stop and chock them, never rely on jacks alone, ventilate running "
    "engines and charging batteries, keep clear of moving and hot parts, take off rings and watches, leave airbag and "
    "high-voltage circuits to those licensed for them.",
    "Measure ohms on dead circuits only; no test lamp or unfused jumper on electronics; pierced insulation goes green "
    "later.",
    "The maker's service information, local codes and licensed practice always come first.",
)
"""The long form, for paper: the sentences of the README."""
