"""Check and broadcast the numeric arguments of the room's public functions.

*Enters*: numbers or arrays by name, with the range each must keep.
*Leaves*: float64 arrays of one shape, or a ValueError with name, index and value.
*Does not do*: repair values, drop items or read units.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Array: TypeAlias = npt.NDArray[np.float64]
Rule: TypeAlias = Literal["finite", "positive", "not_negative"]

_WORDING: dict[Rule, str] = {
    "finite": "finite",
    "positive": "finite and above zero",
    "not_negative": "finite and zero or more",
}


def _broken(values: Array, rule: Rule) -> npt.NDArray[np.bool_]:
    """Mark the items that break the rule."""
    wrong = ~np.isfinite(values)
    if rule == "positive":
        wrong |= ~(values > 0.0)
    elif rule == "not_negative":
        wrong |= ~(values >= 0.0)
    return wrong


def refuse(name: str, wrong: npt.NDArray[np.bool_], values: npt.ArrayLike, wording: str) -> None:
    """Raise for the first marked item of an argument, and do nothing when none is marked.

    Parameters
    ----------
    name : str
        Name of the argument, as in the signature.
    wrong : ndarray of bool
        True where the value can't be used.
    values : array_like of float, shape that broadcasts to that of `wrong`
        The values themselves, for the message.
    wording : str
        What the values must be, as in "finite and above zero".

    Raises
    ------
    ValueError
        If any item is marked.
    """
    if not wrong.any():
        return
    index = tuple(int(i) for i in np.argwhere(wrong)[0])
    value = float(np.broadcast_to(np.asarray(values, dtype=np.float64), wrong.shape)[index])
    place = "" if not index else f" at index {index[0] if len(index) == 1 else index}"
    message = f"{name} must be {wording}; the value{place} is {value!r}."
    raise ValueError(message)


def checked(name: str, values: npt.ArrayLike, rule: Rule) -> Array:
    """Return one argument as a float64 array that keeps its rule.

    Parameters
    ----------
    name : str
        Name of the argument, as in the signature.
    values : array_like of float
        The values, any shape.
    rule : {"finite", "positive", "not_negative"}
        Range that every item must keep.

    Returns
    -------
    ndarray of float64
        Same shape as `values`.

    Raises
    ------
    ValueError
        If an item is NaN, infinite or out of range; the first one is named by index.
    """
    array = np.asarray(values, dtype=np.float64)
    refuse(name, _broken(array, rule), array, _WORDING[rule])
    return array


def broadcast(**arrays: Array) -> tuple[Array, ...]:
    """Return read-only views of the arrays in their common shape.

    Parameters
    ----------
    **arrays : ndarray of float64
        Arrays by argument name.

    Returns
    -------
    tuple of ndarray of float64
        Views in the order given.

    Raises
    ------
    ValueError
        If the shapes don't broadcast; the message lists each name with its shape.
    """
    try:
        shape = np.broadcast_shapes(*(a.shape for a in arrays.values()))
    except ValueError as error:
        shapes = ", ".join(f"{name} {a.shape}" for name, a in arrays.items())
        message = f"shapes don't broadcast: {shapes}."
        raise ValueError(message) from error
    return tuple(np.broadcast_to(a, shape) for a in arrays.values())


def checked_fields(record: DataclassInstance, rules: Mapping[str, Rule]) -> dict[str, Array]:
    """Return the fields of a record of numbers as float64 arrays by name.

    Parameters
    ----------
    record : dataclass instance
        Record whose fields are all numbers or arrays.
    rules : mapping of str to rule
        Range per field; a field that isn't named must be finite.

    Returns
    -------
    dict of str to ndarray of float64
        Arrays in their own shapes.

    Raises
    ------
    ValueError
        If an item breaks its rule.
    """
    return {
        f.name: checked(f.name, getattr(record, f.name), rules.get(f.name, "finite"))
        for f in fields(record)
    }


def count_items(*groups: Mapping[str, Array]) -> int:
    """Return the number of items that flat columns have in common.

    Parameters
    ----------
    *groups : mapping of str to ndarray of float64
        Columns by name, each of shape (n,) or ().

    Returns
    -------
    int
        n, or 1 when all are scalars.

    Raises
    ------
    ValueError
        If the shapes don't fit, or a column isn't flat.
    """
    merged = {f"{i}:{name}": c for i, group in enumerate(groups) for name, c in group.items()}
    shape = broadcast(**merged)[0].shape
    if len(shape) > 1:
        message = f"columns must be flat; their common shape is {shape}."
        raise ValueError(message)
    return shape[0] if shape else 1


def spread(n: int, columns: Mapping[str, Array]) -> dict[str, Array]:
    """Return columns as arrays of shape (n,).

    Parameters
    ----------
    n : int
        Number of items.
    columns : mapping of str to ndarray of float64
        Columns by name, each of shape (n,) or ().

    Returns
    -------
    dict of str to ndarray of float64
        Views by name.
    """
    return {name: np.broadcast_to(column, (n,)) for name, column in columns.items()}
