# SPDX-License-Identifier: GPL-3.0-or-later
"""What bempp-cl compiles, kept on disk: else each process would compile for a minute or more.

numba finds what it compiled earlier only if the types of the arguments are the same in the next
process. Two kinds of arguments of bempp-cl's loops are not: functions, told apart by a number
drawn at random, and the data of a grid, a class that numba makes anew in each process. So the
functions are given names that stay, and the data of a grid are a named tuple with the same fields.
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from importlib import import_module
from importlib.metadata import version
from typing import Any, Final, NamedTuple

import numpy as np
from numba.core.registry import CPUDispatcher
from numba.core.types.containers import NamedTuple as NamedTupleType
from numba.extending import overload_method
from numpy.typing import NDArray

_PACKAGE: Final = "bempp_cl"
_ONCE: Final = frozenset(
    {
        "_compare_array_to_value",
        "_compute_p1_dof_map",
        "_find_edge_adjacency",
        "_find_first_common_array_index_pair_from_position",
        "_find_two_common_array_index_pairs",
        "_find_vertex_adjacency",
        "_get_shared_edge_information_for_two_elements",
        "_get_shared_vertex_information_for_two_elements",
        "_numba_enumerate_edges",
        "_sort_values",
        "_vertices_from_edge_index",
    }
)
"""Go once through a grid, in a second where compiling them takes twenty."""


class GridArrays(NamedTuple):
    """Data of a grid, in the order in which bempp-cl gives them."""

    vertices: NDArray[Any]
    elements: NDArray[Any]
    edges: NDArray[Any]
    element_edges: NDArray[Any]
    volumes: NDArray[Any]
    normals: NDArray[Any]
    jacobians: NDArray[Any]
    jac_inv_trans: NDArray[Any]
    diameters: NDArray[Any]
    integration_elements: NDArray[Any]
    centroids: NDArray[Any]
    domain_indices: NDArray[Any]
    vertex_on_boundary: NDArray[Any]
    element_neighbor_indices: NDArray[Any]
    element_neighbor_indexptr: NDArray[Any]

    def local2global(self, elem_index: int, local_coords: NDArray[Any]) -> NDArray[Any]:
        """Return where points of an element are, (3, n_points), as the grid's own data do.

        Parameters
        ----------
        elem_index : int
            The element.
        local_coords : (2, n_points) array
            Their shares of two of its edges.
        """
        corner = self.vertices[:, self.elements[0, elem_index]]
        return np.asarray(np.expand_dims(corner, 1) + self.jacobians[elem_index].dot(local_coords))


@overload_method(NamedTupleType, "local2global")
def _in_space(
    self: Any, elem_index: int, local_coords: NDArray[Any]
) -> Callable[..., NDArray[Any]] | None:
    """Return what numba compiles for `GridArrays.local2global`."""
    if self.instance_class is not GridArrays:
        return None

    def in_space(self: Any, elem_index: int, local_coords: NDArray[Any]) -> Any:
        corner = self.vertices[:, self.elements[0, elem_index]]
        return np.expand_dims(corner, 1) + self.jacobians[elem_index].dot(local_coords)

    return in_space


@cache
def keep_compiled() -> None:
    """Let numba keep on disk, and find there, what bempp-cl compiles in this process.

    Less is compiled, too: loops for one thread, since a worker has one and those for several take
    twice as long to compile; and nothing of what goes once through a grid.

    Where the disk is not writable, or another numba names its functions otherwise, everything is
    compiled again, and works as well.
    """
    from bempp_cl.api.grid import grid

    for name in ("core.numba_kernels", "api.space.shapesets", "api.space.scalar_spaces"):
        import_module(f"{_PACKAGE}.{name}")  # else loaded when first needed, too late for a name
    grid.GridDataDouble = grid.GridDataFloat = GridArrays
    number = version("bempp-cl")
    modules = [m for name, m in sys.modules.items() if name.startswith(f"{_PACKAGE}.")]
    for module in modules:
        for name, function in list(vars(module).items()):
            if getattr(function, "__module__", "") != module.__name__:
                continue
            if name in _ONCE:
                setattr(module, name, inspect.unwrap(function))
            elif isinstance(function, CPUDispatcher):
                function.targetoptions["parallel"] = False
                keep(function, f"{_PACKAGE} {number} {module.__name__}.{name}")
    grid.Grid._enumerate_edges = _enumerate_edges


def keep(function: Any, name: str) -> None:
    """Let numba keep on disk what it compiles of a function that is an argument of others.

    Parameters
    ----------
    function : dispatcher of numba
        The function; anything else is left alone.
    name : str
        What tells it from all others.
    """
    if isinstance(function, CPUDispatcher) and _is_named(function, name):
        with suppress(RuntimeError):  # there is no place to keep anything
            function.enable_caching()


def _enumerate_edges(self: Any) -> None:
    """As the method of bempp-cl's grid, with a dictionary that need not be compiled."""
    from bempp_cl.api.grid import grid

    self._edges, self._element_edges = grid._numba_enumerate_edges(self._elements, {})


def _is_named(function: Any, name: str) -> bool:
    """Give a function the name that tells it from others; return whether that was possible."""
    try:
        function._set_uuid(name)
    except (AssertionError, AttributeError):  # it has one already, or none can be given
        return False
    return True
