"""The kit as a commented TOML file, so that a person can correct it with any editor.

Reading it back, and saying what is wrong with it, is left to `kit`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

from fitscan.markers.kit import PAPER_MM, CuffSpec, Kit, PointerSpec, RuleSpec, TagSpec

__all__ = ["kit_text"]

PRINTER_HINT = """\
# Measure both rulers of a sheet with a steel rule. If one is not 150.0 mm, take away the '# '
# in front of the next three lines and write measured / 150.0 (149.6 / 150.0 is 0.9973).
# [printer]
# across = 1.0             # the ruler along the foot of the sheet
# along = 1.0              # the upright ruler
"""

CORRECTED_HINT = """\
# These sheets were drawn to make up for the printer, so the scale here stays at 1. Both rulers
# must measure 150.0 mm now; if one does not, print the sheets again.
"""

DATUM_HINT = """\
# Four markers that fix the car's axes (X from rear to front, Y to the left, Z up):
# [datum]
# rear = 0
# front = 1
# right = 2
# left = 3
# A plane and a line (kind = "plane"), left and right pairs (kind = "pairs") or a hanging string
# (kind = "plumb") can fix them too.
"""

CAUTION = """\
# This measures fit only. It does not approve a design, a weld or a material: the rules of the
# sanctioning body, local law and a licensed or scrutineering person decide. Check by hand
# before cutting.
"""


def kit_text(
    kit: Kit,
    title: str,
    *,
    places: dict[int, str] | None = None,
    open_rules: Sequence[tuple[int, int]] = (),
) -> str:
    """Write a kit as TOML.

    Args:
        kit: what was printed.
        title: first line of the file, as a comment.
        places: where to stick a marker, by its id (a cuff by its first id), as comments.
        open_rules: pairs of ids whose distance nobody has measured yet; they are written as
            comments, because a guessed length would scale every result.

    Returns:
        Text that `read_kit` reads back to an equal kit.
    """
    where = places or {}
    blocks = [f"# {title}\n{CAUTION}", f"schema_version = {kit.schema_version}\n"]
    blocks.append(_printer(kit))
    blocks.extend(_tag(tag, where) for tag in kit.tag)
    blocks.extend(_pointer(pointer) for pointer in kit.pointer)
    blocks.extend(_cuff(cuff, where) for cuff in kit.cuff)
    blocks.extend(_rule(rule) for rule in kit.rule)
    blocks.extend(_open_rule(pair) for pair in open_rules)
    if not kit.rule and not open_rules:
        blocks.append("# No [[rule]]: nothing carries the scale, and every result will say so.\n")
    blocks.extend(_table("[[tube]]", tube.model_dump().items()) for tube in kit.tube)
    if kit.plumb is not None:
        blocks.append(_table("[plumb]", kit.plumb.model_dump().items()))
    if kit.datum is None:
        blocks.append(DATUM_HINT)
    else:
        blocks.append(_table("[datum]", kit.datum.model_dump().items()))
    return "\n".join(blocks)


def _printer(kit: Kit) -> str:
    if kit.printer is None:
        return PRINTER_HINT
    table = _table("[printer]", kit.printer.model_dump().items())
    one = kit.printer.across == 1.0 and kit.printer.along == 1.0
    return CORRECTED_HINT + table if one else table


def _tag(tag: TagSpec, where: dict[int, str]) -> str:
    values: list[tuple[str, object]] = [("id", tag.id), ("side_mm", tag.side_mm)]
    values.append(("part", tag.part))
    if tag.name:
        values.append(("name", tag.name))
    return _table("[[tag]]", values, where.get(tag.id, ""))


def _pointer(pointer: PointerSpec) -> str:
    names = ("id", "side_mm", "reach_mm", "part", "name")
    return _table("[[pointer]]", ((n, getattr(pointer, n)) for n in names))


def _cuff(cuff: CuffSpec, where: dict[int, str]) -> str:
    values: list[tuple[str, object]] = [
        (n, getattr(cuff, n))
        for n in ("first_id", "od_mm", "columns", "rows", "side_mm", "row_pitch_mm")
    ]
    values += [("part", cuff.part), ("tube", cuff.tube), ("straight", cuff.straight)]
    if cuff.paper_mm != PAPER_MM:
        values.append(("paper_mm", cuff.paper_mm))
    return _table("[[cuff]]", values, where.get(cuff.first_id, ""))


def _rule(rule: RuleSpec) -> str:
    values = [("ids", list(rule.ids)), ("length_mm", rule.length_mm), ("u_mm", rule.u_mm)]
    return _table("[[rule]]", values)


def _open_rule(pair: tuple[int, int]) -> str:
    return (
        f"# Measure tag {pair[0]} to tag {pair[1]}, centre to centre, with a steel rule, write "
        "the length here\n# and take away the leading '# '. Without it the scale is a guess of "
        "0.5 to 1 %.\n"
        f"# [[rule]]\n# ids = [{pair[0]}, {pair[1]}]\n"
        "# length_mm =\n"
        "# u_mm = 0.3              # standard uncertainty of the reading\n"
    )


def _table(head: str, values: Iterable[tuple[str, object]], note: str = "") -> str:
    lines = [f"{head}  # {note}" if note else head]
    lines.extend(f"{key} = {_value(value)}" for key, value in values)
    return "\n".join(lines) + "\n"


def _value(value: object) -> str:
    """A TOML value; a JSON string is a TOML basic string apart from the delete character."""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return repr(value)
