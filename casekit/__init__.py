"""casekit: a finished electrical repair as a case that answers back.

>>> import casekit
>>> bench = casekit.open_case("broom-frame-dead")
>>> bench.key("on")
'key on'
"""

from casekit.error import BenchError, CasekitError, CircuitError, ScenarioError
from casekit.files.library import unlock
from casekit.machine import faults
from casekit.machine.faults import HighResistance, Open, ShortToGround
from casekit.machine.intermittent import Intermittent
from casekit.teaching.away import open_case
from casekit.teaching.bay import bay
from casekit.teaching.classline import classroom_line
from casekit.teaching.classreport import class_report
from casekit.teaching.draft import draft
from casekit.teaching.drill import Drill
from casekit.teaching.examclass import exam_class
from casekit.teaching.exampaper import exam_paper
from casekit.teaching.exercise import compare, judge
from casekit.teaching.grade import list_cases
from casekit.teaching.kept import resume_case
from casekit.teaching.livelab import live_lab
from casekit.teaching.panel import panel
from casekit.teaching.practice import open_machine, variants
from casekit.teaching.rota import practice, progress
from casekit.teaching.sitpanel import sit
from casekit.teaching.sitting import Sitting
from casekit.teaching.sketched import sketch

__all__ = [
    "BenchError",
    "CasekitError",
    "CircuitError",
    "Drill",
    "HighResistance",
    "Intermittent",
    "Open",
    "ScenarioError",
    "ShortToGround",
    "Sitting",
    "bay",
    "class_report",
    "classroom_line",
    "compare",
    "draft",
    "exam_class",
    "exam_paper",
    "faults",
    "judge",
    "list_cases",
    "live_lab",
    "open_case",
    "open_machine",
    "panel",
    "practice",
    "progress",
    "resume_case",
    "sit",
    "sketch",
    "unlock",
    "variants",
]
