# SPDX-License-Identifier: GPL-3.0-or-later
"""From a run to files that can be heard: start at `listen`."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import soundfile
from scipy.signal import oaconvolve

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress, Silent
from bafflelens.base.provenance import versions
from bafflelens.directivity.responses import Response, read_response
from bafflelens.job.job_file import LoadedJob
from bafflelens.listen.arrivals_page import arrivals_page
from bafflelens.listen.binaural import EarResponses, ear_responses
from bafflelens.listen.dry import window_response
from bafflelens.listen.head import DirectionError, Head, head_of, left_out
from bafflelens.listen.head_file import read_head
from bafflelens.listen.levels import Level, matched
from bafflelens.listen.music import INVENTED, band_noise, invented_music, read_music
from bafflelens.listen.responses_file import responses_file
from bafflelens.listen.room import SURFACES, Enclosure, enclosure_of
from bafflelens.listen.seat import Seat, seat_of
from bafflelens.listen.shape_response import (
    BASS_HZ,
    MOST_EQUALISED_DB,
    ShapeResponse,
    common_filter,
)
from bafflelens.listen.shapes_heard import heard_shape
from bafflelens.listen.spectra import BLOCK, RATE_HZ, bins_hz, minimum_phase
from bafflelens.store import RunFolder, require_new_folder, utc_now, write_folder

AXIS: Final = "axis"
CAUTION: Final = "begin at low level: loud headphones harm hearing"
_STEPS: Final = 6


@dataclass(frozen=True, kw_only=True)
class Wishes:
    """How it is to be heard.

    Attributes
    ----------
    equalise : str
        ``axis`` to make the on-axis response of each shape even, empty not to.
    head : Path or None
        AES69 file of a head; the public set if None.
    headphones : Path or None
        Response of the headphones, Hz, dB and degrees, to be divided out.
    speakers : bool
        Dry files for real loudspeakers, with the listening-window response only, as well.
    """

    equalise: str = ""
    head: Path | None = None
    headphones: Path | None = None
    speakers: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class Prepared:
    """All that does not depend on the music.

    Attributes
    ----------
    enclosure, seat : Enclosure, Seat
        The room, and what it does.
    shapes : tuple of ShapeResponse
        What is compared.
    ears : tuple of EarResponses
        Responses of each at the ears, the filter that stands for the rest of the loudspeaker
        and the headphones included.
    head_name : str
        Whose head it is.
    head_error : DirectionError
        What its interpolation is off by.
    """

    enclosure: Enclosure
    seat: Seat
    shapes: tuple[ShapeResponse, ...]
    ears: tuple[EarResponses, ...]
    head_name: str
    head_error: DirectionError


@dataclass(frozen=True, kw_only=True, eq=False)
class Version:
    """One shape as it is heard.

    Attributes
    ----------
    name : str
        Id of the candidate.
    level : Level
        Loudness and peak.
    whole : (2, n_samples) array
        At the ears.
    parts : mapping of str to (2, n_samples) array
        What makes it up, with the same gain.
    dry : (2, n_samples) array or None
        For real loudspeakers.
    """

    name: str
    level: Level
    whole: FloatArray
    parts: Mapping[str, FloatArray]
    dry: FloatArray | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Heard:
    """What was written.

    Attributes
    ----------
    out : Path
        The folder.
    music : str
        What is played.
    versions : tuple of Version
        What can be compared.
    remarks : tuple of str
        What a listener should know.
    """

    out: Path
    music: str
    versions: tuple[Version, ...]
    remarks: tuple[str, ...] = field(default=())


def listen(
    folder: RunFolder,
    candidates: Sequence[str],
    music: Path | None,
    out: Path,
    wishes: Wishes | None = None,
    progress: Progress | None = None,
) -> Heard:
    """Write what the seat of a run's job hears from some of its candidates.

    Parameters
    ----------
    folder : RunFolder
        The run.
    candidates : sequence of str
        At least one, each solved.
    music : Path or None
        A stereo file; an invented signal if None.
    out : Path
        Folder to write; new or empty.
    wishes : Wishes, optional
        How it is to be heard.
    progress : Progress, optional
        Who is told.

    Raises
    ------
    InputError
        If a candidate is not solved, the music is none, or the seat is not in the room.
    StoreError
        If the folder is not empty or cannot be written.
    """
    wishes = wishes or Wishes()
    loaded = folder.load_job()
    require_new_folder(out)
    signal = invented_music() if music is None else read_music(music)
    with (progress or Silent()).bar(float(_STEPS), "listening") as advance:
        prepared = prepare(folder, loaded, candidates, wishes)
        advance(4.0, "responses at the seat are ready")
        heard = played_versions(prepared, signal, wishes)
        advance(1.0, "the music is rendered")
        name = INVENTED if music is None else music.name
        remarks = _remarks(loaded, prepared, wishes)
        files = _files(loaded, prepared, heard, name, remarks)
        write_folder(out, files)
        advance(1.0, "written")
    return Heard(out=out, music=name, versions=heard, remarks=remarks)


def prepare(
    folder: RunFolder, loaded: LoadedJob, candidates: Sequence[str], wishes: Wishes
) -> Prepared:
    """Return all that does not depend on the music."""
    _check(folder, candidates, wishes)
    enclosure = _enclosure(loaded)
    shapes = tuple(heard_shape(folder, loaded, name) for name in candidates)
    _check_bodies(folder, loaded, candidates)
    if wishes.equalise == AXIS:
        shapes = tuple(shape.equalised() for shape in shapes)
    head = head_of(read_head(wishes.head))
    seat = _seat(loaded, enclosure, head)
    bands = [shape.band_hz for shape in shapes]
    phones = None if wishes.headphones is None else read_response(wishes.headphones)
    ears = tuple(_filtered(ear_responses(shape, seat), bands, phones) for shape in shapes)
    return Prepared(
        enclosure=enclosure,
        seat=seat,
        shapes=shapes,
        ears=ears,
        head_name=head.name,
        head_error=left_out(head),
    )


def played_versions(prepared: Prepared, signal: FloatArray, wishes: Wishes) -> tuple[Version, ...]:
    """Return the music (2, n_samples) as each shape plays it, equally loud."""
    noise = band_noise()
    wholes = [at_ears(ears.whole, signal) for ears in prepared.ears]
    gains, levels = matched(wholes, [at_ears(ears.whole, noise) for ears in prepared.ears])
    dry: list[FloatArray | None] = [None] * len(wholes)
    if wishes.speakers:
        bands = [shape.band_hz for shape in prepared.shapes]
        filtered = [
            common_filter(oaconvolve(signal, window_response(shape)[np.newaxis], axes=-1), bands)
            for shape in prepared.shapes
        ]
        dry_gains, _ = matched(filtered, filtered)
        dry = [gain * one for gain, one in zip(dry_gains, filtered, strict=True)]
    return tuple(
        Version(
            name=shape.name,
            level=level,
            whole=gain * whole,
            parts={part: gain * at_ears(one, signal) for part, one in ears.parts.items()},
            dry=one_dry,
        )
        for shape, ears, gain, level, whole, one_dry in zip(
            prepared.shapes, prepared.ears, gains, levels, wholes, dry, strict=True
        )
    )


def at_ears(responses: FloatArray, signal: FloatArray) -> FloatArray:
    """Return a stereo signal (2, n_samples) at the ears, (2, n_samples longer by the room)."""
    channels = signal if len(responses) > 1 else signal.mean(axis=0, keepdims=True)
    played = [
        oaconvolve(channel[np.newaxis], response, axes=-1)
        for channel, response in zip(channels, responses, strict=True)
    ]
    return np.asarray(np.sum(played, axis=0))


def sound_file(signal: FloatArray) -> bytes:
    """Return a WAV file, 48 kHz, 24 bit."""
    stream = io.BytesIO()
    soundfile.write(stream, signal.T, RATE_HZ, format="WAV", subtype="PCM_24")
    return stream.getvalue()


def _check(folder: RunFolder, candidates: Sequence[str], wishes: Wishes) -> None:
    solved = [one.id for one in folder.candidates() if folder.has_directivity(one.id)]
    rule = f"one that the run has solved: {', '.join(solved) or 'none'}"
    faults = [invalid("candidate", name, rule) for name in candidates if name not in solved]
    if not candidates:
        faults.append(invalid("candidates", "none", rule))
    doubled = sorted({name for name in candidates if list(candidates).count(name) > 1})
    faults += [invalid("candidate", name, "named once") for name in doubled]
    if wishes.equalise not in ("", AXIS):
        faults.append(invalid("--equalise", wishes.equalise, AXIS))
    if faults:
        raise InputError(faults)


def _check_bodies(folder: RunFolder, loaded: LoadedJob, candidates: Sequence[str]) -> None:
    """Refuse a seat within a loudspeaker, and a loudspeaker within a wall."""
    room, listening = loaded.job.room, loaded.job.listening
    for name in candidates:
        corners = folder.load_mesh(name).vertices
        ahead, behind = float(corners[:, 0].max()), float(-corners[:, 0].min())
        if room.distance_m <= ahead:
            rule = f"more than the {ahead:.2f} m that {name} reaches forward: outside it"
            raise InputError(invalid("room.distance_m", f"{room.distance_m:g}", rule))
        if listening.front_wall_m < behind:
            rule = f"at least the {behind:.2f} m that {name} reaches back"
            raise InputError(
                invalid("listening.front_wall_m", f"{listening.front_wall_m:g}", rule)
            )


def _enclosure(loaded: LoadedJob) -> Enclosure:
    listening = loaded.job.listening
    given = listening.absorption
    keys = ("front_wall", "rear_wall", "side_walls", "side_walls", "floor", "ceiling")
    return enclosure_of(
        loaded.job.room.room,
        front_wall_m=listening.front_wall_m,
        rear_wall_m=listening.rear_wall_m,
        other_wall_m=listening.other_wall_m,
        absorption={
            name: np.array(getattr(given, key)) for name, key in zip(SURFACES, keys, strict=True)
        },
    )


def _seat(loaded: LoadedJob, enclosure: Enclosure, head: Head) -> Seat:
    return seat_of(
        enclosure,
        loaded.job.air.medium,
        head,
        images_s=1e-3 * loaded.job.listening.images_ms,
        loudspeakers=2 if loaded.job.room.seat_aside_m > 0 else 1,
    )


def _filtered(
    ears: EarResponses, bands: Sequence[tuple[float, float]], phones: Response | None
) -> EarResponses:
    """Return responses with what all shapes have in common."""

    def through(responses: FloatArray) -> FloatArray:
        filtered = common_filter(responses, bands)
        if phones is None:
            return filtered
        return np.asarray(oaconvolve(filtered, _inverse(phones)[np.newaxis, np.newaxis], axes=-1))

    return EarResponses(
        whole=through(ears.whole), parts={name: through(one) for name, one in ears.parts.items()}
    )


def _inverse(phones: Response) -> FloatArray:
    """Return the filter of least delay that makes headphones even, within 12 dB."""
    frequency = np.maximum(bins_hz(), 1.0)
    level = np.interp(np.log(frequency), np.log(phones.frequency_hz), phones.level_db)
    middle = level[(frequency > 300) & (frequency < 3000)].mean()
    change = np.clip(middle - level, -MOST_EQUALISED_DB, MOST_EQUALISED_DB)
    return np.asarray(np.fft.irfft(minimum_phase(10 ** (change / 20)), n=BLOCK))


def _remarks(loaded: LoadedJob, prepared: Prepared, wishes: Wishes) -> tuple[str, ...]:
    size = " x ".join(f"{value:.2f}" for value in prepared.enclosure.size_m)
    decay = prepared.seat.decay_s
    lows, highs = zip(*(shape.band_hz for shape in prepared.shapes), strict=True)
    error = prepared.head_error
    remarks = [
        f"room {size} m, reverberation time {decay.min():.2f} to {decay.max():.2f} s",
        f"below {max(lows):.0f} Hz each direction keeps its level there, above "
        f"{min(highs):.0f} Hz sound fades out; high-pass {BASS_HZ:g} Hz: the same for all shapes",
        f"head: {prepared.head_name}; between its directions {error.level_db:.1f} dB and "
        f"{error.time_us:.0f} us off (root mean square, {error.n_directions} left out in turn)",
    ]
    if len(prepared.seat.head) == 1:
        remarks.append("room.seat_aside_m is 0: one loudspeaker plays both channels")
    if wishes.equalise == AXIS:
        remarks.append("on-axis responses are made even: what is left is the room's part")
    if loaded.loudspeaker.crossover is not None:
        remarks.append("all shapes play through the crossover of the job")
    return (*remarks, CAUTION)


def _files(
    loaded: LoadedJob,
    prepared: Prepared,
    heard: Sequence[Version],
    music: str,
    remarks: Sequence[str],
) -> dict[str, bytes]:
    """Return names and contents of all that is written."""
    files: dict[str, bytes] = {}
    for version, ears in zip(heard, prepared.ears, strict=True):
        files[f"{version.name}.wav"] = sound_file(version.whole)
        for part, signal in version.parts.items():
            files[f"{version.name}_only_{part.replace(' ', '_')}.wav"] = sound_file(signal)
        if version.dry is not None:
            files[f"{version.name}_for_loudspeakers.wav"] = sound_file(version.dry)
        files[f"{version.name}.sofa"] = responses_file(
            ears.whole,
            prepared.enclosure,
            temperature_c=loaded.job.air.temperature_c,
            title=f"{loaded.job.title}: {version.name}",
            comment=" ".join(f"{remark}." for remark in remarks),
            version=versions()["bafflelens"],
        )
    files["arrivals.html"] = arrivals_page(
        loaded, prepared.shapes, prepared.seat, prepared.enclosure, tuple(remarks)
    )
    manifest = {
        "made_utc": utc_now(),
        "music": music,
        "versions": {version.name: asdict(version.level) for version in heard},
        "interpolation_error_db": {shape.name: shape.error_db for shape in prepared.shapes},
        "remarks": list(remarks),
        "made_with": versions(),
        "files": sorted((*files, "manifest.json")),
    }
    files["manifest.json"] = json.dumps(manifest, indent=2).encode()
    return files
