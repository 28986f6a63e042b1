"""What became of a kept picture and its sources, in plain words."""

from __future__ import annotations

from belvedere.deliver.verify import Checked, Verification

_NAMED = 6
_STATES = {
    "same": "as it was",
    "changed": "has changed since it was recorded",
    "missing": "is not there",
    "unreadable": "cannot be read",
    "not-on-record": "is there; what it held when it was made is not on record",
}


def verify_words(found: Verification) -> str:
    """The answer first, then what needs a look, then how to look further; one line each."""
    lines = [_answer(found)]
    sources = [c for c in found.files if c.role == "source"]
    for checked in found.files:
        if checked.role == "made-from":
            lines.append(_made_from(checked))
        elif checked.role != "source":
            lines.append(f"{_place(checked)} {_STATES[checked.state]}")
    if sources:
        same = sum(c.state == "same" for c in sources)
        lines.append(f"{same} of {len(sources)} source files as they were")
    for state in ("changed", "missing", "unreadable"):
        names = [_place(c) for c in sources if c.state == state]
        if names:
            more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
            kind = {"changed": "changed", "missing": "not found", "unreadable": "cannot be read"}[state]
            lines.append(f"  {kind}: {', '.join(names[:_NAMED])}{more}")
    if any(c.state == "missing" for c in sources):
        lines.append("If the source files lie elsewhere, name their folder with --sources.")
    return "\n".join(lines)


def _answer(found: Verification) -> str:
    name = found.record.name
    if found.is_same:
        return f"Everything is as {name} says."
    wrong = sum(not checked.is_fine for checked in found.files)
    return f"{wrong} of {len(found.files)} files {'is' if wrong == 1 else 'are'} not as {name} says."


def _made_from(checked: Checked) -> str:
    if checked.state == "missing":
        return f"{checked.file}, which it was made from, is not there; it is not needed"
    return f"{_place(checked)}, which it was made from, {_STATES[checked.state].replace('as it', 'is as it')}"


def _place(checked: Checked) -> str:
    return str(checked.found) if checked.found is not None else checked.file
