# SPDX-License-Identifier: GPL-3.0-or-later
"""What was computed of a candidate: its mesh, its bands, its directivity, its surface."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from dataclasses import asdict
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bafflelens.base.errors import StoreError
from bafflelens.base.reading import read_bytes
from bafflelens.base.writing import replacing, storing, write_file

if TYPE_CHECKING:
    import xarray as xr

    from bafflelens.bem.surface_pressure import SurfacePressure
    from bafflelens.bem.sweep import BandResult
    from bafflelens.mesh.mesh import Mesh


class CandidateFiles:
    """The files of the candidates of a run's folder."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def _candidate_folder(self, candidate_id: str) -> Path:
        return self.path / "candidates" / candidate_id

    def save_mesh(self, candidate_id: str, mesh: Mesh) -> None:
        """Keep a candidate's finest mesh, unless it is there already."""
        path = self._candidate_folder(candidate_id) / "mesh.npz"
        with storing(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            if not path.exists():
                mesh.save(path)

    def load_mesh(self, candidate_id: str) -> Mesh:
        """Return a candidate's finest mesh."""
        from bafflelens.mesh.mesh import Mesh

        return Mesh.load(self._candidate_folder(candidate_id) / "mesh.npz")

    def save_band(
        self, candidate_id: str, number: int, result: BandResult, *, durable: bool = True
    ) -> None:
        """Keep a finished band until the candidate is complete.

        Parameters
        ----------
        candidate_id : str
            Id of the candidate.
        number : int
            Number of the band.
        result : BandResult
            What was solved.
        durable : bool
            Whether to wait until it is on the disk.
        """
        folder = self._candidate_folder(candidate_id) / "bands"
        outcomes = json.dumps([asdict(outcome) for outcome in result.outcomes])
        content = BytesIO()  # an archive is written in many small pieces
        np.savez(
            content,
            frequencies_hz=result.frequencies_hz,
            far_field=result.far_field,
            cross_power=result.cross_power,
            outcomes=np.array(outcomes),
            microphone_pressure=result.microphone_pressure,
            load=result.load,
        )
        with storing(folder):
            if not folder.is_dir():
                folder.mkdir(parents=True, exist_ok=True)
            path = folder / f"{number:03d}.npz"
            with replacing(path, replace_existing=True, durable=durable) as stream:
                stream.write(content.getbuffer())

    def forget_candidate(self, candidate_id: str) -> None:
        """Remove what was kept of a shape that never became a candidate."""
        folder = self._candidate_folder(candidate_id)
        with storing(folder):
            if folder.exists():
                shutil.rmtree(folder)

    def load_bands(self, candidate_id: str) -> dict[int, BandResult]:
        """Return the finished bands of an unfinished candidate; damaged files are left out."""
        folder = self._candidate_folder(candidate_id) / "bands"
        from bafflelens.bem.sweep import BandResult, FrequencyOutcome  # loads the solver

        bands = {}
        for path in sorted(folder.glob("*.npz")):
            try:
                data = _arrays(path, "band")
                outcomes = json.loads(str(data["outcomes"]))
                bands[int(path.stem)] = BandResult(
                    frequencies_hz=data["frequencies_hz"],
                    far_field=data["far_field"],
                    cross_power=data["cross_power"],
                    outcomes=tuple(FrequencyOutcome(**outcome) for outcome in outcomes),
                    microphone_pressure=data["microphone_pressure"],
                    load=data["load"],
                )
            except (StoreError, ValueError, KeyError, TypeError, RecursionError):
                continue  # cut short by whatever stopped the run: it is solved again
        return bands

    def save_surface(self, candidate_id: str, number: int, surface: SurfacePressure) -> None:
        """Keep what is on the surface of a candidate in a band."""
        folder = self._candidate_folder(candidate_id) / "surface"
        with storing(folder):
            folder.mkdir(parents=True, exist_ok=True)
            with replacing(folder / f"{number:03d}.npz", replace_existing=True) as stream:
                surface.write(stream)

    def load_surface(self, candidate_id: str) -> tuple[SurfacePressure, ...]:
        """Return what was kept of a candidate's surface; empty if nothing was.

        Raises
        ------
        StoreError
            If a file is damaged.
        """
        folder = self._candidate_folder(candidate_id) / "surface"
        from bafflelens.bem.surface_pressure import SurfacePressure

        found = []
        for path in sorted(folder.glob("*.npz")):
            with storing(path), path.open("rb") as stream:
                found.append(SurfacePressure.read(stream, path))
        return tuple(found)

    def has_surface(self, candidate_id: str) -> bool:
        """Tell whether anything was kept of a candidate's surface."""
        return any((self._candidate_folder(candidate_id) / "surface").glob("*.npz"))

    def drop_surface(self, candidate_id: str) -> None:
        """Remove what was kept of a candidate's surface."""
        shutil.rmtree(self._candidate_folder(candidate_id) / "surface", ignore_errors=True)

    def save_directivity(self, candidate_id: str, dataset: xr.Dataset) -> None:
        """Keep a complete candidate's directivity, for good; its bands are then dropped."""
        from bafflelens.directivity import far_field_data

        folder = self._candidate_folder(candidate_id)
        with storing(folder):
            folder.mkdir(parents=True, exist_ok=True)
            far_field_data.save(dataset, folder / "directivity.nc")
            shutil.rmtree(folder / "bands", ignore_errors=True)

    def has_directivity(self, candidate_id: str) -> bool:
        """Tell whether a candidate is complete."""
        return (self._candidate_folder(candidate_id) / "directivity.nc").exists()

    def load_directivity(self, candidate_id: str) -> xr.Dataset:
        """Return a complete candidate's directivity."""
        from bafflelens.directivity import far_field_data

        return far_field_data.load(self._candidate_folder(candidate_id) / "directivity.nc")

    def save_carved_step(
        self, candidate_id: str, number: int, content: Mapping[str, object]
    ) -> None:
        """Keep a step of a carving: numbers, texts and arrays by name."""
        path = self._candidate_folder(candidate_id) / f"carved_{number:03d}.npz"
        with storing(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            stream = BytesIO()
            arrays: dict[str, Any] = {key: np.array(value) for key, value in content.items()}
            np.savez_compressed(stream, **arrays)
            write_file(path, stream.getvalue(), replace_existing=True)

    def load_carved_steps(self, candidate_id: str) -> list[dict[str, Any]]:
        """Return the steps of a carving in order; what is damaged ends the list."""
        found: list[dict[str, Any]] = []
        for path in sorted(self._candidate_folder(candidate_id).glob("carved_*.npz")):
            try:
                content = _arrays(path, "step of a carving")
            except StoreError:
                break
            found.append({k: v.item() if v.ndim == 0 else v for k, v in content.items()})
        return found

    def save_carving(self, candidate_id: str, picture: bytes, text: str) -> tuple[Path, Path]:
        """Keep the picture and the sheet of a carving; older ones are replaced."""
        paths = self.carving_paths(candidate_id)
        write_file(paths[0], picture, replace_existing=True)
        write_file(paths[1], text.encode(), replace_existing=True)
        return paths

    def carving_paths(self, candidate_id: str) -> tuple[Path, Path]:
        """Return where picture and sheet of a carving are."""
        folder = self._candidate_folder(candidate_id)
        return (folder / "carving.png", folder / "carving.txt")

    def save_clay_map(self, candidate_id: str, picture: bytes, text: str) -> None:
        """Keep the picture of a clay map and its list; older ones are replaced."""
        picture_path, text_path = self._clay_map_paths(candidate_id)
        write_file(picture_path, picture, replace_existing=True)
        write_file(text_path, text.encode(), replace_existing=True)

    def load_clay_map(self, candidate_id: str) -> tuple[bytes, str] | None:
        """Return picture and list of the clay map that was kept; None where none was."""
        picture_path, text_path = self._clay_map_paths(candidate_id)
        if not (picture_path.is_file() and text_path.is_file()):
            return None
        text = read_bytes(text_path, "result file", StoreError).decode("utf-8", "replace")
        return read_bytes(picture_path, "result file", StoreError), text

    def save_slope(self, candidate_id: str, content: Mapping[str, object]) -> None:
        """Keep the slope of a candidate's score over its surface; an older one is replaced."""
        stream = BytesIO()
        arrays: dict[str, Any] = {key: np.asarray(value) for key, value in content.items()}
        np.savez_compressed(stream, **arrays)
        write_file(self.slope_path(candidate_id), stream.getvalue(), replace_existing=True)

    def load_slope(self, candidate_id: str) -> dict[str, Any] | None:
        """Return what `save_slope` kept; None where nothing was."""
        path = self.slope_path(candidate_id)
        return _arrays(path, "slope") if path.is_file() else None

    def slope_path(self, candidate_id: str) -> Path:
        """Return where the slope of a candidate's score is kept."""
        return self._candidate_folder(candidate_id) / "slope.npz"

    def _clay_map_paths(self, candidate_id: str) -> tuple[Path, Path]:
        folder = self._candidate_folder(candidate_id)
        return (folder / "clay_map.png", folder / "clay_map.txt")

    def save_crossover(self, candidate_id: str, text: str, picture: bytes) -> tuple[Path, Path]:
        """Keep a crossover that was found for a candidate, and its picture, under a new number."""
        folder = self._candidate_folder(candidate_id)
        number = 1
        while (folder / f"crossover_{number}.toml").exists():
            number += 1
        paths = folder / f"crossover_{number}.toml", folder / f"crossover_{number}.png"
        write_file(paths[1], picture, replace_existing=True)  # of one that was not finished
        write_file(paths[0], text.encode())
        return paths


def _arrays(path: Path, what: str) -> dict[str, np.ndarray[Any, np.dtype[Any]]]:
    """Return the arrays of a file that was kept, or raise a StoreError."""
    from bafflelens.base.archives import arrays_of  # loads h5py

    content = read_bytes(path, "result file", StoreError)
    return arrays_of(content, path, "result file", f"a {what} saved by bafflelens", StoreError)
