"""What a class made of a paper: how hard its items are, how well they tell candidates apart, and how able who was.

In: a paper, and a folder of sittings of it. Out: an `ExamClass`: tables of items and candidates, and difficulties that
later papers and marks can use.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from casekit.error import CasekitError, ScenarioError, refused
from casekit.reasoning.testtheory import ability, difficulties, judged, kr20
from casekit.teaching.exampaper import ExamPaper
from casekit.teaching.itemview import LEVELS
from casekit.teaching.marking import difficulty_of, such
from casekit.teaching.markup import bullets
from casekit.teaching.sitting import Sitting

HEAD, FORMAT = "casekit difficulties", 1
ENOUGH = 5  # candidates from whom difficulties are fitted (our choice)
ITEMS = ["item", "ability", "level", "answers", "share", "discrimination", "difficulty", "drawn", "weak"]
CANDIDATES = ["candidate", "right", "items", "logits", "error", "low", "high", "remark"]


@dataclass(frozen=True)
class ExamClass:
    """`items`: share that was right, discrimination (against the rest of the paper), difficulty in logits, the wrong
    idea that drew most, and why it deserves a look. `candidates`: right, ability in logits with its standard error and
    95 % interval. `reliability` is KR-20, nan where it cannot be had. `left_out` says which files were, and why."""

    paper: ExamPaper
    items: pd.DataFrame
    candidates: pd.DataFrame
    reliability: float
    left_out: tuple[str, ...] = ()
    right: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)), repr=False)

    def __repr__(self) -> str:
        many = len(self.candidates)
        told = f"{self.paper.title}: {many} candidate{'s' if many != 1 else ''}"
        told += "" if math.isnan(self.reliability) else f", KR-20 {self.reliability:.2f}"
        weak = [f"item {i.item}: {i.weak}" for i in self.items.itertuples() if i.weak]
        return "\n".join([told, *weak, *(f"left out: {text}" for text in self.left_out)])

    def _repr_html_(self) -> str:
        return bullets(repr(self).splitlines()) + self.items.to_html(index=False, border=0, float_format="%.2f")

    @property
    def difficulty(self) -> dict[str, float]:
        """Difficulty in logits by item key, of items that were answered, and by ability and level, for other papers."""
        found = {self.paper.items[i.item - 1].key: float(i.difficulty) for i in self.items.itertuples() if i.answers}
        groups: dict[str, list[float]] = {}
        for item in self.paper.items:
            groups.setdefault(such(item), []).extend([found[item.key]] if item.key in found else [])
        return found | {name: float(np.mean(some)) for name, some in groups.items() if some}

    @property
    def weak(self) -> dict[str, str]:
        """Why an item deserves a look, by its key."""
        return {self.paper.items[i.item - 1].key: i.weak for i in self.items.itertuples() if i.weak}

    def save(self, path: Path | str) -> Path:
        """Write difficulties and weak items, for `read_difficulties`."""
        data = {HEAD: FORMAT, "paper": self.paper.name, "seed": self.paper.seed, "candidates": len(self.candidates),
                "difficulty": {k: round(v, 3) for k, v in self.difficulty.items()}, "weak": self.weak}  # fmt: skip
        try:
            Path(path).write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")
        except OSError as err:
            raise ScenarioError([refused(path, err, "choose another place")]) from None
        return Path(path)


def exam_class(paper: ExamPaper, folder: Path | str, known: Mapping[str, float] | None = None) -> ExamClass:
    """What the sittings in a folder (`*.jsonl`, each named after its candidate) make of a paper.

    What was not answered is wrong. Sittings that are not handed in, are of another paper or damaged are left out, and
    said to be. `known` are difficulties in logits of an earlier class; where they are of other items, those of
    these are fitted, from five candidates on. Raises ScenarioError when there is no such folder.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise ScenarioError([f"{folder}: there is no such folder; name the one that holds the sittings."])
    names, rows, left, remarks, ideas = [], [], [], [], []
    for path in sorted(folder.glob("*.jsonl")):
        try:
            sitting = Sitting(paper, path, look=True)
            result = sitting.result()
        except CasekitError as err:
            left.append(f"{path.name}: {str(err).removeprefix(f'{path}:1: ').removeprefix(f'{path}: ')}")
            continue
        names.append(path.stem)
        rows.append(result.items["right"].to_numpy(dtype=float))
        ideas.append(result.items["idea"].tolist())
        remarks.append("; ".join(sitting.troubles))
    right = np.array(rows).reshape(len(rows), len(paper.items))
    hard = _difficulties(paper, right, known)
    guess = np.array([i.guess for i in paper.items])
    return ExamClass(paper, _items(paper, right, hard, ideas), _candidates(names, right, hard, guess, remarks),
                     kr20(right) if min(right.shape) > 1 else math.nan, tuple(left), right)  # fmt: skip


def read_difficulties(path: Path | str) -> tuple[dict[str, float], dict[str, str]]:
    """(difficulty in logits by item key, why weak by item key) that `ExamClass.save` wrote. Raises ScenarioError for
    what is no such file."""
    try:
        data = json.loads(Path(path).read_text(encoding="utf-8"))
        if data[HEAD] == FORMAT:
            known = {str(k): float(v) for k, v in data["difficulty"].items()}
            return known, {str(k): str(v) for k, v in data["weak"].items()}
    except OSError as err:
        raise ScenarioError([refused(path, err, "check the name", "cannot be read")]) from None
    except (ValueError, KeyError, TypeError, AttributeError):
        pass
    raise ScenarioError([f"{path}: this file holds no difficulties; make one with casekit exam ... --sittings FOLDER."])


# Inside ---------------------------------------------------------------------------------------------------------------


def _difficulties(paper: ExamPaper, right: np.ndarray, known: Mapping[str, float] | None) -> np.ndarray:
    """In logits: those known, those fitted, or those of the levels; fitted ones have the levels' mean, so that the
    ability of an average candidate stays comparable between classes."""
    levels = np.array([difficulty_of(i, known) for i in paper.items])
    seen = sum(item.key in (known or {}) for item in paper.items)
    if 2 * seen >= len(paper.items) or len(right) < ENOUGH:  # these very items were answered before, or few now
        return levels
    return difficulties(right, np.array([i.guess for i in paper.items])) + levels.mean()


def _items(paper: ExamPaper, right: np.ndarray, hard: np.ndarray, ideas: list[list[str]]) -> pd.DataFrame:
    rows = []
    for n, (item, found) in enumerate(zip(paper.items, judged(right) if len(right) else (), strict=False), 1):
        drew = [mine[n - 1] for mine in ideas if mine[n - 1]]
        most = max(drew, key=drew.count, default="")
        rows.append((n, item.ability, LEVELS[item.level], found.answers, found.share, found.discrimination,
                     float(hard[n - 1]), f"{most} ({drew.count(most)})" if most else "", found.weak))  # fmt: skip
    return pd.DataFrame(rows, columns=ITEMS)


def _candidates(
    names: list[str], right: np.ndarray, hard: np.ndarray, guess: np.ndarray, remarks: list[str]
) -> pd.DataFrame:
    rows = []
    for name, row, remark in zip(names, right, remarks, strict=True):
        found = ability(row, hard, guess)
        rows.append((name, int(row.sum()), row.size, found.logits, found.error, *found.interval, remark))
    return pd.DataFrame(rows, columns=CANDIDATES)
