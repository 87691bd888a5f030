"""Trouble code titles, shortened to facts.

Source: SAE J2012 / ISO 15031-6 titles as reproduced in public generic lists; the standard itself was not seen.
The lists that are shifted by a row from about P0190 on were not used. P2122 to P2128 are from memory.
"""

from __future__ import annotations

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
    "P0560": "System Voltage",
    "P0562": "System Voltage Low",
    "P0563": "System Voltage High",
    "P0641": 'Sensor Reference Voltage "A" Circuit/Open',
    "P0642": 'Sensor Reference Voltage "A" Circuit Low',
    "P0643": 'Sensor Reference Voltage "A" Circuit High',
    "P0651": 'Sensor Reference Voltage "B" Circuit/Open',
    "P0652": 'Sensor Reference Voltage "B" Circuit Low',
    "P0653": 'Sensor Reference Voltage "B" Circuit High',
    "P2122": 'Throttle/Pedal Position Sensor/Switch "D" Circuit Low',
    "P2123": 'Throttle/Pedal Position Sensor/Switch "D" Circuit High',
    "P2127": 'Throttle/Pedal Position Sensor/Switch "E" Circuit Low',
    "P2128": 'Throttle/Pedal Position Sensor/Switch "E" Circuit High',
    "P2135": 'Throttle/Pedal Position Sensor/Switch "A"/"B" Voltage Correlation',
    "P2138": 'Throttle/Pedal Position Sensor/Switch "D"/"E" Voltage Correlation',
}
