# SPDX-License-Identifier: GPL-3.0-or-later
"""What is kept, as bytes: the meshes of a shape, and one solved frequency."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from bafflelens.base.archives import arrays_of
from bafflelens.base.errors import StoreError
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.bem.surface_pressure import joined_surfaces as joined_surface
from bafflelens.bem.sweep import BandResult, FrequencyOutcome
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.places import VertexPlaces
from bafflelens.mesh.quality import Band


def meshes_to_bytes(meshes: Sequence[Mesh]) -> bytes:
    """Return meshes as bytes."""
    arrays: dict[str, Any] = {}
    for number, mesh in enumerate(meshes):
        names, numbers = np.unique(mesh.surface, return_inverse=True)
        arrays |= {
            f"vertices_{number}": mesh.vertices,
            f"triangles_{number}": mesh.triangles,
            f"names_{number}": names,
            f"surface_{number}": numbers.astype(np.uint8 if len(names) < 256 else np.int64),
        }
        places = {} if mesh.places is None else mesh.places.arrays()
        arrays |= {f"{name}_{number}": array for name, array in places.items()}
    stream = io.BytesIO()
    np.savez_compressed(stream, count=len(meshes), **arrays)
    return stream.getvalue()


def meshes_from_bytes(content: bytes) -> tuple[Mesh, ...]:
    """Return the meshes that `meshes_to_bytes` was given."""
    data = _arrays(content)
    return tuple(
        Mesh(
            data[f"vertices_{number}"],
            data[f"triangles_{number}"],
            data[f"names_{number}"][data[f"surface_{number}"]],
            _places(data, number),
        )
        for number in range(int(data["count"]))
    )


def _places(
    data: Mapping[str, np.ndarray[Any, np.dtype[Any]]], number: int
) -> VertexPlaces | None:
    """Return where the vertices of one of the meshes lie on their solid, if that is kept."""
    end = f"_{number}"
    return VertexPlaces.from_arrays(
        {name.removesuffix(end): array for name, array in data.items() if name.endswith(end)}
    )


def frequency_to_bytes(result: BandResult, number: int) -> bytes:
    """Return one frequency of a band as bytes; the far field in the precision of result files."""
    stream = io.BytesIO()
    one = slice(number, number + 1)
    surface = result.surface
    if surface is not None:
        surface = surface.at_frequency(result.frequencies_hz[number])
    np.savez(
        stream,
        frequencies_hz=result.frequencies_hz[one],
        far_field=result.far_field[:, one].astype(np.complex64),
        cross_power=result.cross_power[one],
        microphone_pressure=result.microphone_pressure[:, one],
        load=result.load[one],
        outcome=np.array(json.dumps(asdict(result.outcomes[number]))),
        **(surface.arrays() if surface is not None else {}),
    )
    return stream.getvalue()


def frequency_from_bytes(content: bytes, mesh: Mesh) -> BandResult:
    """Return the frequency that `frequency_to_bytes` was given, as a band of one.

    Parameters
    ----------
    content : bytes
        The entry.
    mesh : Mesh
        The mesh that it was solved on, which is not kept with each frequency.
    """
    data = _arrays(content)
    outcome = FrequencyOutcome(**json.loads(str(data["outcome"])))
    return BandResult(
        frequencies_hz=data["frequencies_hz"],
        far_field=data["far_field"].astype(complex),
        cross_power=data["cross_power"],
        outcomes=(replace(outcome, seconds=0.0),),  # it took no time here
        microphone_pressure=data["microphone_pressure"],
        load=data["load"],
        surface=(SurfacePressure.from_arrays(data, mesh) if "surface_pressure" in data else None),
    )


def _arrays(content: bytes) -> dict[str, np.ndarray[Any, np.dtype[Any]]]:
    rule = "an entry that bafflelens wrote"
    return arrays_of(content, "solved.sqlite", "entry of the cache", rule, StoreError)


def joined_bands(band: Band, parts: Sequence[BandResult]) -> BandResult:
    """Return the parts of a band as one, in the order of its frequencies.

    Raises
    ------
    ValueError
        If they are not of its frequencies, or of different sizes.
    """
    found = np.concatenate([part.frequencies_hz for part in parts])
    order = np.argsort(found, kind="stable")
    if not np.array_equal(found[order], np.sort(np.asarray(band.frequencies_hz))):
        msg = "the parts are not those of the band"
        raise ValueError(msg)
    outcomes = [outcome for part in parts for outcome in part.outcomes]
    surfaces = [part.surface for part in parts if part.surface is not None]
    return BandResult(
        frequencies_hz=found[order],
        far_field=np.concatenate([part.far_field for part in parts], axis=1)[:, order],
        cross_power=np.concatenate([part.cross_power for part in parts])[order],
        outcomes=tuple(outcomes[number] for number in order),
        microphone_pressure=np.concatenate(
            [part.microphone_pressure for part in parts], axis=1
        )[:, order] if parts[0].microphone_pressure.size else parts[0].microphone_pressure,
        load=np.concatenate([part.load for part in parts])[order]
        if parts[0].load.size
        else parts[0].load,
        surface=joined_surface(surfaces) if surfaces else None,
    )  # fmt: skip
