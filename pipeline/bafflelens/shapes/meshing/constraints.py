# SPDX-License-Identifier: GPL-3.0-or-later
"""Constraints on parameters: ``lens.opening_height_mm > 2 * lens.lip_radius_mm``.

An expression is parsed to Python's own syntax tree and worked out node by node; whatever is not
listed here is refused when the job is read, so that a job file can never run code. Angles are in
degrees, as in the parameters.
"""

from __future__ import annotations

import ast
import difflib
import math
import operator
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from bafflelens.base.errors import InputError, invalid

_LONGEST: Final = 300  # characters; deep nesting cannot exhaust the stack then
_MOST_SHOWN: Final = 12
_SIMILAR: Final = 0.5

_BINARY: Final[Mapping[type[ast.operator], Callable[[float, float], float]]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Mod: operator.mod,
    ast.Pow: math.pow,
}
_COMPARISONS: Final[Mapping[type[ast.cmpop], Callable[[float, float], bool]]] = {
    ast.Lt: operator.lt,
    ast.LtE: operator.le,
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
    ast.Eq: operator.eq,
    ast.NotEq: operator.ne,
}
_OF_ONE: Final[Mapping[str, Callable[[float], float]]] = {
    "abs": abs,
    "sqrt": math.sqrt,
    "sin": lambda angle_deg: math.sin(math.radians(angle_deg)),
    "cos": lambda angle_deg: math.cos(math.radians(angle_deg)),
    "tan": lambda angle_deg: math.tan(math.radians(angle_deg)),
    "asin": lambda share: math.degrees(math.asin(share)),
    "acos": lambda share: math.degrees(math.acos(share)),
    "atan": lambda slope: math.degrees(math.atan(slope)),
    "exp": math.exp,
    "log": math.log,
}
_OF_MANY: Final[Mapping[str, Callable[..., float]]] = {"min": min, "max": max}
_CONSTANTS: Final = {"pi": math.pi}


@dataclass(frozen=True)
class Constraint:
    """What the parameters of every candidate must fulfil.

    Attributes
    ----------
    text : str
        As the job has it.
    tree : ast.expr
        The same, checked.
    """

    text: str
    tree: ast.expr

    def fault(self, values: Mapping[str, float]) -> str:
        """Return the rule that values break, with the values; empty if they fulfil it."""
        shown = ", ".join(f"{name} = {values[name]:g}" for name in _names(self.tree))
        try:
            if _truth(self.tree, values):
                return ""
        except (ArithmeticError, ValueError) as error:
            return invalid(
                "candidate", shown, f"one for which '{self.text}' has a value ({error})"
            )
        return invalid("candidate", shown, f"one that fulfils '{self.text}'")


def read_constraint(text: str, known: Collection[str]) -> Constraint:
    """Return a constraint that has been checked.

    Parameters
    ----------
    text : str
        A comparison of parameters, or several joined by ``and``, ``or`` and ``not``.
    known : collection of str
        Parameters that there are.

    Raises
    ------
    InputError
        If it is no such expression, or names something unknown.

    Examples
    --------
    >>> rule = read_constraint("lens.depth_mm < 30", ["lens.depth_mm"])
    >>> rule.fault({"lens.depth_mm": 20.0})
    ''
    >>> rule.fault({"lens.depth_mm": 40.0})
    "Invalid candidate 'lens.depth_mm = 40'. Must be one that fulfils 'lens.depth_mm < 30'."
    """
    if len(text) > _LONGEST:
        raise _fault(text[:_LONGEST] + "...", f"at most {_LONGEST} characters long")
    try:
        tree = ast.parse(text.strip(), mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
        reason = error.msg if isinstance(error, SyntaxError) else str(error)
        raise _fault(text, f"a comparison such as 'lens.depth_mm < 20' ({reason})") from error
    _check_truth(tree, text, known)
    if not any(_names(tree)):
        raise _fault(text, "a comparison that names a parameter")
    return Constraint(text=text, tree=tree)


def _fault(text: str, rule: str) -> InputError:
    return InputError(invalid("constraint", text, rule))


def _name_of(node: ast.expr) -> str:
    """Return the parameter or constant that a node names, empty if it names none."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
        return f"{node.value.id}.{node.attr}"
    return ""


def _names(node: ast.AST) -> Iterator[str]:
    """Yield the parameters that an expression names, each once, in their order."""
    seen = set()
    for found in ast.walk(node):
        name = _name_of(found) if isinstance(found, ast.Attribute) else ""
        if name and name not in seen:
            seen.add(name)
            yield name


# -------------------------------------------------------------------------------- checking


def _check_truth(node: ast.expr, text: str, known: Collection[str]) -> None:
    match node:
        case ast.BoolOp(values=parts):
            for part in parts:
                _check_truth(part, text, known)
        case ast.UnaryOp(op=ast.Not(), operand=part):
            _check_truth(part, text, known)
        case ast.Compare(left=left, ops=ops, comparators=others):
            if any(type(op) not in _COMPARISONS for op in ops):
                raise _fault(text, "made of <, <=, >, >=, == and !=")
            for part in (left, *others):
                _check_number(part, text, known)
        case _:
            rule = "a comparison, or several joined by 'and', 'or' and 'not'"
            raise _fault(text, f"{rule}; '{ast.unparse(node)}' is none")


def _check_number(node: ast.expr, text: str, known: Collection[str]) -> None:
    match node:
        case ast.Constant(value=bool() | str() | bytes() | complex() | None):
            raise _fault(text, f"made of numbers; '{ast.unparse(node)}' is none")
        case ast.Constant(value=int() | float()):
            return
        case ast.UnaryOp(op=ast.USub() | ast.UAdd(), operand=part):
            _check_number(part, text, known)
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _BINARY:
            _check_number(left, text, known)
            _check_number(right, text, known)
        case ast.Call(func=ast.Name(id=name), args=parts, keywords=[]):
            _check_call(name, parts, text, known)
        case ast.Name() | ast.Attribute() if _name_of(node):
            _check_name(_name_of(node), text, known)
        case _:
            raise _fault(text, f"arithmetic of parameters; '{ast.unparse(node)}' is none")


def _check_call(name: str, parts: list[ast.expr], text: str, known: Collection[str]) -> None:
    functions = [*_OF_ONE, *_OF_MANY]
    if name not in functions:
        raise _fault(text, f"made of known functions, {', '.join(functions)}; not '{name}'")
    if name in _OF_ONE and len(parts) != 1:
        raise _fault(text, f"one that gives '{name}' one value, not {len(parts)}")
    if name in _OF_MANY and len(parts) < 2:
        raise _fault(text, f"one that gives '{name}' two values or more, not {len(parts)}")
    for part in parts:
        _check_number(part, text, known)


def _check_name(name: str, text: str, known: Collection[str]) -> None:
    if name in known or name in _CONSTANTS:
        return
    last = name.rpartition(".")[2]
    likeness = {key: max(_ratio(name, key), _ratio(last, key.rpartition(".")[2])) for key in known}
    nearest = max(likeness, key=lambda key: likeness[key], default="")
    if nearest and likeness[nearest] >= _SIMILAR:
        raise _fault(text, f"about known parameters; the nearest to '{name}' is '{nearest}'")
    listed = ", ".join(list(known)[:_MOST_SHOWN])
    raise _fault(text, f"about known parameters, such as {listed}; not '{name}'")


def _ratio(one: str, other: str) -> float:
    return difflib.SequenceMatcher(None, one, other).ratio()


# ----------------------------------------------------------------------------- working out


def _truth(node: ast.expr, values: Mapping[str, float]) -> bool:
    match node:
        case ast.BoolOp(op=ast.And(), values=parts):
            return all(_truth(part, values) for part in parts)
        case ast.BoolOp(values=parts):
            return any(_truth(part, values) for part in parts)
        case ast.UnaryOp(operand=part):
            return not _truth(part, values)
        case ast.Compare(left=left, ops=ops, comparators=others):
            numbers = [_number(part, values) for part in (left, *others)]
            pairs = zip(ops, numbers, numbers[1:], strict=False)
            return all(_COMPARISONS[type(op)](one, other) for op, one, other in pairs)
    raise AssertionError(ast.dump(node))  # read_constraint lets nothing else pass


def _number(node: ast.expr, values: Mapping[str, float]) -> float:
    match node:
        case ast.Constant(value=int() | float() as value):
            return float(value)
        case ast.UnaryOp(op=ast.USub(), operand=part):
            return -_number(part, values)
        case ast.UnaryOp(operand=part):
            return _number(part, values)
        case ast.BinOp(left=left, op=op, right=right):
            return _BINARY[type(op)](_number(left, values), _number(right, values))
        case ast.Call(func=ast.Name(id=name), args=parts):
            return (_OF_ONE.get(name) or _OF_MANY[name])(*(_number(p, values) for p in parts))
    name = _name_of(node)
    return _CONSTANTS[name] if name in _CONSTANTS else values[name]
