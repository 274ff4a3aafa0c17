"""What `--set NAME=VALUE` says, by the kind of the card's parameter."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from benchd.cli import out

if TYPE_CHECKING:
    from benchd.procedures.parameter import Parameter
    from benchd.procedures.record import Value

BOOLS = {"yes": True, "true": True, "no": False, "false": False}


def split(given: Iterable[str]) -> dict[str, str]:
    """NAME=VALUE, taken apart; ends the command for anything else, and for a name that is given twice."""
    found: dict[str, str] = {}
    for each in given:
        name, equals, text = each.partition("=")
        if not equals or not name:
            out.fail(f"--set {each!r}: allowed is NAME=VALUE, such as limit_a=0.1", 2)
        if name in found:
            out.fail(f"--set {each!r}: {name} was given before, as {found[name]!r}; give it once", 2)
        found[name] = text
    return found


def values(card: str, texts: Mapping[str, str], parameters: Mapping[str, Parameter]) -> dict[str, Value]:
    """The values for a card's parameters; ends the command with a sentence for each that cannot be one."""
    faults: list[str] = []
    found: dict[str, Value] = {}
    for name, text in texts.items():
        parameter = parameters.get(name)
        if parameter is None:
            faults.append(f"--set {name}: procedure {card} has {', '.join(parameters) or 'no parameters'}")
            continue
        try:
            found[name] = value(text, parameter)
        except ValueError as error:
            faults.append(f"--set {name} ({parameter.title}): {error}")
    if faults:
        out.fail("\nbenchd: ".join(faults), 2)
    return found


def value(text: str, parameter: Parameter) -> Value:
    """A text as its kind wants it. Raises ValueError saying what was given, the unit, and what is allowed."""
    from benchd.procedures.parameter import check_given

    readers: dict[str, Callable[[str], Value]] = {"number": _number, "bool": _bool}
    given = readers.get(parameter.kind, str)(text.strip() if parameter.kind in readers else text)
    if parameter.kind == "bool" and not isinstance(given, bool):
        raise ValueError(f"{text!r} was given; allowed is yes or no")
    return check_given(parameter, given)


def _number(text: str) -> Value:
    try:
        return float(text)
    except ValueError:
        return text  # refused with its unit


def _bool(text: str) -> Value:
    return BOOLS.get(text.lower(), text)


def answer(question: Mapping[str, Any], text: str) -> Value:
    """An answer as the question wants it. Raises ValueError naming it, else as `value` does."""
    from benchd.procedures.parameter import Parameter

    keys = ("unit", "low", "high", "choices")
    kind = "bool" if question["kind"] == "ready" else question["kind"]
    known = {key: question[key] for key in keys if question.get(key) is not None}
    try:
        return value(text, Parameter.model_validate({"title": question["name"], "kind": kind, **known}))
    except ValueError as error:
        raise ValueError(f"{question['name']}: {error}") from error


def parameters_told(card: Mapping[str, Any]) -> dict[str, Parameter]:
    """The parameters of a card as the daemon tells them (GET procedures/NAME), as far as they say what is allowed."""
    from benchd.procedures.parameter import Parameter

    keys = ("title", "kind", "unit", "low", "high", "choices")
    return {
        each["name"]: Parameter.model_validate({key: each[key] for key in keys if each.get(key) is not None})
        for each in card["parameters"]
    }
