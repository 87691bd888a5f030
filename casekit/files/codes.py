"""Trouble code titles, shortened to facts.

Source: SAE J2012 / ISO 15031-6 titles as reproduced in public generic lists; the standard itself was not seen.
The lists that are shifted by a row from about P0190 on were not used. `FROM_MEMORY` names the titles that were not seen
in any list.
"""

from __future__ import annotations

import re

TITLES = {
    "P0016": "Crankshaft Position - Camshaft Position Correlation (Bank 1 Sensor A)",
    "P0106": "Manifold Absolute Pressure/Barometric Pressure Circuit Range/Performance",
    "P0107": "Manifold Absolute Pressure/Barometric Pressure Circuit Low",
    "P0108": "Manifold Absolute Pressure/Barometric Pressure Circuit High",
    "P0112": "Intake Air Temperature Circuit Low",
    "P0113": "Intake Air Temperature Circuit High",
    "P0117": "Engine Coolant Temperature Circuit Low",
    "P0118": "Engine Coolant Temperature Circuit High",
    "P0121": 'Throttle/Pedal Position Sensor/Switch "A" Circuit Range/Performance',
    "P0122": 'Throttle/Pedal Position Sensor/Switch "A" Circuit Low',
    "P0123": 'Throttle/Pedal Position Sensor/Switch "A" Circuit High',
    "P0190": 'Fuel Rail Pressure Sensor "A" Circuit',
    "P0191": 'Fuel Rail Pressure Sensor "A" Circuit Range/Performance',
    "P0192": 'Fuel Rail Pressure Sensor "A" Circuit Low',
    "P0193": 'Fuel Rail Pressure Sensor "A" Circuit High',
    "P0221": 'Throttle/Pedal Position Sensor/Switch "B" Circuit Range/Performance',
    "P0222": 'Throttle/Pedal Position Sensor/Switch "B" Circuit Low',
    "P0223": 'Throttle/Pedal Position Sensor/Switch "B" Circuit High',
    "P0335": 'Crankshaft Position Sensor "A" Circuit',
    "P0336": 'Crankshaft Position Sensor "A" Circuit Range/Performance',
    "P0337": 'Crankshaft Position Sensor "A" Circuit Low',
    "P0338": 'Crankshaft Position Sensor "A" Circuit High',
    "P0340": 'Camshaft Position Sensor "A" Circuit (Bank 1)',
    "P0341": 'Camshaft Position Sensor "A" Circuit Range/Performance (Bank 1)',
    "P0342": 'Camshaft Position Sensor "A" Circuit Low (Bank 1)',
    "P0343": 'Camshaft Position Sensor "A" Circuit High (Bank 1)',
    "P0522": "Engine Oil Pressure Sensor/Switch Circuit Low",
    "P0523": "Engine Oil Pressure Sensor/Switch Circuit High",
    "P0530": 'A/C Refrigerant Pressure Sensor "A" Circuit',
    "P0531": 'A/C Refrigerant Pressure Sensor "A" Circuit Range/Performance',
    "P0532": 'A/C Refrigerant Pressure Sensor "A" Circuit Low',
    "P0533": 'A/C Refrigerant Pressure Sensor "A" Circuit High',
    "P0545": "Exhaust Gas Temperature Sensor Circuit Low (Bank 1 Sensor 1)",
    "P0546": "Exhaust Gas Temperature Sensor Circuit High (Bank 1 Sensor 1)",
    "P0560": "System Voltage",
    "P0562": "System Voltage Low",
    "P0563": "System Voltage High",
    "P0641": 'Sensor Reference Voltage "A" Circuit/Open',
    "P0642": 'Sensor Reference Voltage "A" Circuit Low',
    "P0643": 'Sensor Reference Voltage "A" Circuit High',
    "P0651": 'Sensor Reference Voltage "B" Circuit/Open',
    "P0652": 'Sensor Reference Voltage "B" Circuit Low',
    "P0653": 'Sensor Reference Voltage "B" Circuit High',
    "P0697": 'Sensor Reference Voltage "C" Circuit/Open',
    "P0698": 'Sensor Reference Voltage "C" Circuit Low',
    "P0699": 'Sensor Reference Voltage "C" Circuit High',
    "P06A3": 'Sensor Reference Voltage "D" Circuit/Open',
    "P06A4": 'Sensor Reference Voltage "D" Circuit Low',
    "P06A5": 'Sensor Reference Voltage "D" Circuit High',
    "P06A6": 'Sensor Reference Voltage "A" Circuit Range/Performance',
    "P06A7": 'Sensor Reference Voltage "B" Circuit Range/Performance',
    "P06A8": 'Sensor Reference Voltage "C" Circuit Range/Performance',
    "P2122": 'Throttle/Pedal Position Sensor/Switch "D" Circuit Low',
    "P2123": 'Throttle/Pedal Position Sensor/Switch "D" Circuit High',
    "P2127": 'Throttle/Pedal Position Sensor/Switch "E" Circuit Low',
    "P2128": 'Throttle/Pedal Position Sensor/Switch "E" Circuit High',
    "P2135": 'Throttle/Pedal Position Sensor/Switch "A"/"B" Voltage Correlation',
    "P2138": 'Throttle/Pedal Position Sensor/Switch "D"/"E" Voltage Correlation',
}

FROM_MEMORY = frozenset({"P0545", "P0546", "P06A4", "P06A6", "P2122", "P2123", "P2127", "P2128"})


def in_line(text: str) -> list[str]:
    """The codes of one line; none for an empty one, or for "none".

    >>> in_line("P0642, P0107"), in_line("none")
    (['P0642', 'P0107'], [])
    """
    return [code for code in re.split(r"[,;\s]+", text) if code not in ("", "none")]
