"""Items as QTI 3 (Question and Test Interoperability, an open standard of 1EdTech): one XML text each.

In: an `Item`. Out: the text of an assessment item. Element names and the response processing template are from the
published specification, from memory; there is no schema in this environment to hold them against.
"""

from __future__ import annotations

from xml.etree import ElementTree as ET

from casekit.teaching.item import LETTERS, Item
from casekit.teaching.itemview import words

SPACE = "http://www.imsglobal.org/xsd/imsqtiasi_v3p0"
MATCH = "https://purl.imsglobal.org/spec/qti/v3p0/rptemplates/match_correct.xml"


def as_qti(item: Item) -> str:
    """The item as an assessment item of QTI 3.0: a choice, an order, or an entry of text or a number."""
    root = _part(None, "assessment-item", identifier=_name(item.key), title=f"{item.ability} ({item.kind})",
                 adaptive="false", **{"time-dependent": "false", "xml:lang": "en"})  # fmt: skip
    kind = {"choice": ("single", "identifier"), "order": ("ordered", "identifier"), "number": ("single", "float"),
            "point": ("single", "string")}[item.form]  # fmt: skip
    declared = _part(root, "response-declaration", identifier="RESPONSE", cardinality=kind[0], **{"base-type": kind[1]})
    correct = _part(declared, "correct-response")
    for value in _correct(item):
        _part(correct, "value").text = value
    score = _part(root, "outcome-declaration", identifier="SCORE", cardinality="single", **{"base-type": "float"})
    _part(_part(score, "default-value"), "value").text = "0"
    body = _part(root, "item-body")
    if item.rows:
        table = ET.SubElement(body, f"{{{SPACE}}}table")
        for cells in item.rows:
            line = ET.SubElement(table, f"{{{SPACE}}}tr")
            for cell in cells:
                ET.SubElement(line, f"{{{SPACE}}}td").text = cell
    if item.recorded:  # the picture lies beside, under the name of the item
        shown = ET.SubElement(body, f"{{{SPACE}}}p")
        ET.SubElement(shown, f"{{{SPACE}}}img", src=f"{_name(item.key)}.png", alt=words(item.recorded))
    _interaction(body, item)
    if item.form == "number":
        _near(root, item)
    else:
        _part(root, "response-processing", template=MATCH)
    ET.register_namespace("", SPACE)
    return ET.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def _interaction(body: ET.Element, item: Item) -> None:
    if item.form in ("choice", "order"):
        more = {"max-choices": "1"} if item.form == "choice" else {}
        asked = _part(
            body, f"{item.form}-interaction", **{"response-identifier": "RESPONSE", "shuffle": "false"}, **more
        )
        _part(asked, "prompt").text = item.ask
        for letter, option in zip(LETTERS, item.options, strict=False):
            _part(asked, "simple-choice", identifier=letter).text = option.text
        return
    line = ET.SubElement(body, f"{{{SPACE}}}p")
    line.text = f"{item.ask} "
    _part(line, "text-entry-interaction", **{"response-identifier": "RESPONSE", "expected-length": "12"}).tail = (
        f" {item.unit}" if item.unit else ""
    )


def _near(root: ET.Element, item: Item) -> None:
    """A number is right within a tolerance."""
    rule = _part(_part(root, "response-processing"), "response-condition")
    when = _part(rule, "response-if")
    equal = _part(when, "equal", **{"tolerance-mode": "absolute", "tolerance": f"{item.within:g} {item.within:g}"})
    _part(equal, "variable", identifier="RESPONSE")
    _part(equal, "correct", identifier="RESPONSE")
    _part(_part(when, "set-outcome-value", identifier="SCORE"), "base-value", **{"base-type": "float"}).text = "1"


def _correct(item: Item) -> list[str]:
    match item.form:
        case "choice":
            return [LETTERS[item.right]]
        case "order":
            return [LETTERS[k] for k in item.order]
        case "number":
            return [f"{item.value:g}"]
    return [item.points[0]]


def _part(parent: ET.Element | None, name: str, **attributes: str) -> ET.Element:
    named = {k.replace("xml:", "{http://www.w3.org/XML/1998/namespace}"): v for k, v in attributes.items()}
    tag = f"{{{SPACE}}}qti-{name}"
    return ET.Element(tag, named) if parent is None else ET.SubElement(parent, tag, named)


def _name(key: str) -> str:
    """An identifier as XML wants it."""
    return "".join(c if c.isalnum() or c in "-_" else "-" for c in key)
