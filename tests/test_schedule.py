"""When a case is due again: the published rule, and the grade of a debrief."""

import pytest

from casekit.teaching.debrief import Debrief
from casekit.teaching.schedule import Due, after_all, change, grade_of


def debriefed(**said):
    usual = {"right": True, "supported": True, "condemned": (), "minutes": 60.0, "decided": 10.0}
    rest = {"title": "", "truth": "", "explanation": "", "call": "", "because": "", "rivals": (), "readings": 4}
    return Debrief(**rest | usual | said)


def test_the_easiness_changes_as_published():
    """SM-2, Wozniak 1990, author's thesis extract: EF + (0.1 - (5 - q)(0.08 + (5 - q) 0.02)), by grade."""
    assert [change(q) for q in (5, 4, 3, 2, 1, 0)] == pytest.approx([0.10, 0.0, -0.14, -0.32, -0.54, -0.80])


def test_the_days_are_those_of_the_published_rule():
    """The same: 1, 6, then times EF (2.5 at the start) rounded up: 6 x 2.5 = 15, 15 x 2.5 = 37.5."""
    assert [after_all([4] * k).days for k in (1, 2, 3, 4)] == [1, 6, 15, 38]


def test_a_grade_below_three_begins_again_and_leaves_the_easiness():
    for grade in (0, 1, 2):
        assert after_all([5, 5, 5, grade]) == Due(0, pytest.approx(2.8), 1)
        assert [after_all([5, 5, 5, grade, *[4] * k]).days for k in (1, 2, 3)] == [1, 6, 17]  # 6 x 2.8 = 16.8


def test_the_easiness_has_a_floor():
    assert after_all([3] * 20).easiness == 1.3
    assert after_all([3] * 8).easiness == pytest.approx(2.5 - 8 * 0.14)


@pytest.mark.parametrize(
    ("grade", "said", "hints"),
    [
        (5, {}, 0),
        (5, {"decided": 20.0}, 0),  # twice par, not more
        (4, {"decided": 20.1}, 0),
        (4, {}, 2),
        (4, {"condemned": ("B4",)}, 0),
        (3, {"decided": 40.0, "condemned": ("B4",)}, 1),
        (2, {"condemned": ("B4", "B5")}, 0),
        (2, {"supported": False}, 0),  # a lucky guess
        (1, {"right": False, "partly": True}, 0),
        (0, {"right": False, "supported": True}, 0),
    ],
)
def test_the_grade_says_how_a_case_went(grade, said, hints):
    assert grade_of(debriefed(**said), 10.0, hints) == grade


def test_without_a_par_the_minutes_do_not_count():
    assert grade_of(debriefed(decided=500.0), None, 0) == 5


def test_over_sixty_days_what_is_known_comes_back_rarely_and_what_fails_soon():
    """A learner who does what is due every day, solves one case well, one badly, and one never."""
    seen = {}
    for grade in (5, 3, 1):
        due, day, days = Due(), 0, []
        while day <= 60:
            days.append(day)
            due = due.after(grade)
            day += due.days
        seen[grade] = days
    assert seen[5] == [0, 1, 7, 24]  # 6 x 2.8 = 16.8; 17 x 2.9 = 49.3: after day 60
    assert len(seen[5]) < len(seen[3]) < len(seen[1]) == 61
