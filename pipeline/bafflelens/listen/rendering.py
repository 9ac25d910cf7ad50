# SPDX-License-Identifier: GPL-3.0-or-later
"""From a run to files that can be heard: start at `listen`."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import soundfile
from scipy.fft import irfft, next_fast_len, rfft
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
from bafflelens.listen.head import ListenerHead, head_of, left_out
from bafflelens.listen.head_file import read_head
from bafflelens.listen.levels import Level, matched
from bafflelens.listen.music import INVENTED, band_noise, invented_music, read_music
from bafflelens.listen.ready import RESPONSES, Ready, read_responses, responses_bytes
from bafflelens.listen.responses_file import responses_file
from bafflelens.listen.room import SURFACES, Enclosure, enclosure_of
from bafflelens.listen.seat import Seat, seat_in
from bafflelens.listen.shape_response import (
    BASS_HZ,
    MOST_EQUALISED_DB,
    ShapeResponse,
    common_filter,
)
from bafflelens.listen.shapes_heard import at_common_level, heard_shape, jobs_heard
from bafflelens.listen.spectra import BLOCK, RATE_HZ, bins_hz, minimum_phase
from bafflelens.store import RunFolder, require_new_folder, utc_now, write_folder

AXIS: Final = "axis"
CAUTION: Final = "begin at low level: loud headphones harm hearing"
_STEPS: Final = 6
_BLOCK_SAMPLES: Final = 2**20  # 22 s


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
    again : Path or None
        A folder that was written for the same shapes, whose responses are used as they are.
    """

    equalise: str = ""
    head: Path | None = None
    headphones: Path | None = None
    speakers: bool = False
    again: Path | None = None


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
    require_new_folder(out)
    _check(folder, candidates, wishes)
    signal = invented_music() if music is None else read_music(music)
    name = INVENTED if music is None else music.name
    progress = progress or Silent()
    jobs: tuple[LoadedJob, ...] = ()
    on_crossovers: tuple[str, ...] = ()
    if wishes.again is None:
        jobs, on_crossovers = jobs_heard(folder, folder.load_job(), candidates, progress)
    with progress.bar(float(_STEPS), "listening") as advance:
        if wishes.again is None:
            ready = prepare_rendering(folder, jobs, candidates, wishes, on_crossovers)
        else:
            ready = read_responses(wishes.again, folder.name, candidates)
        advance(4.0, "responses at the seat are ready")
        heard = played_versions(ready, signal, wishes)
        advance(1.0, "the music is rendered")
        write_folder(out, _files(ready, heard, name))
        advance(1.0, "written")
    return Heard(out=out, music=name, versions=heard, remarks=ready.remarks)


def prepare_rendering(
    folder: RunFolder,
    jobs: Sequence[LoadedJob],
    candidates: Sequence[str],
    wishes: Wishes,
    on_crossovers: Sequence[str] = (),
) -> Ready:
    """Return all that does not depend on the music.

    Parameters
    ----------
    folder : RunFolder
        The run.
    jobs : sequence of LoadedJob
        For each candidate, the run's job with the crossover that it is heard through.
    candidates : sequence of str
        Their ids.
    wishes : Wishes
        How it is to be heard.
    on_crossovers : sequence of str
        Remarks on these.
    """
    loaded = jobs[0]
    enclosure = _enclosure(loaded)
    _check_bodies(folder, loaded, candidates)
    solved = [heard_shape(folder, job, name) for job, name in zip(jobs, candidates, strict=True)]
    shapes = at_common_level(solved)
    if wishes.equalise == AXIS:
        shapes = tuple(shape.equalised() for shape in shapes)
    head = head_of(read_head(wishes.head))
    seat = _seat(loaded, enclosure, head)
    bands = [shape.band_hz for shape in shapes]
    phones = None if wishes.headphones is None else read_response(wishes.headphones)
    ears = tuple(_filtered(ear_responses(shape, seat), bands, phones) for shape in shapes)
    remarks = _remarks(shapes, seat, enclosure, head, wishes, on_crossovers)
    files = {
        f"{shape.name}.sofa": responses_file(
            one.whole,
            enclosure,
            temperature_c=loaded.job.air.temperature_c,
            title=f"{loaded.job.title}: {shape.name}",
            comment=" ".join(f"{remark}." for remark in remarks),
            version=versions()["bafflelens"],
        )
        for shape, one in zip(shapes, ears, strict=True)
    }
    files["arrivals.html"] = arrivals_page(loaded, shapes, seat, enclosure, remarks)
    return Ready(
        run=folder.name,
        names=tuple(candidates),
        ears=ears,
        dry=tuple(common_filter(window_response(shape), bands) for shape in shapes),
        remarks=remarks,
        files=files,
    )


def played_versions(ready: Ready, signal: FloatArray, wishes: Wishes) -> tuple[Version, ...]:
    """Return the music (2, n_samples) as each shape plays it, equally loud."""
    noise = band_noise()
    responses = [ears.whole for ears in ready.ears]
    responses += [part for ears in ready.ears for part in ears.parts.values()]
    with ThreadPoolExecutor() as threads:
        played = list(threads.map(lambda one: at_ears(one, signal), responses))
        noises = list(threads.map(lambda ears: at_ears(ears.whole, noise), ready.ears))
    count = len(ready.names)
    gains, levels = matched(played[:count], noises)
    dry: list[FloatArray | None] = [None] * count
    if wishes.speakers:
        filtered = [oaconvolve(signal, one[np.newaxis], axes=-1) for one in ready.dry]
        dry_gains, _ = matched(filtered, filtered)
        dry = [gain * one for gain, one in zip(dry_gains, filtered, strict=True)]
    parts = iter(played[count:])
    return tuple(
        Version(
            name=name,
            level=level,
            whole=gain * whole,
            parts={part: gain * next(parts) for part in ears.parts},
            dry=one_dry,
        )
        for name, ears, gain, level, whole, one_dry in zip(
            ready.names, ready.ears, gains, levels, played[:count], dry, strict=True
        )
    )


def at_ears(responses: FloatArray, signal: FloatArray) -> FloatArray:
    """Return a stereo signal (2, n_samples) at the ears, (2, n_samples longer by the room).

    Overlap-add in long blocks: the loudspeakers are summed as spectra, so that each block takes
    one transform an ear. In single precision, whose rounding stays about 130 dB below the music.
    """
    channels = signal if len(responses) > 1 else signal.mean(axis=0, keepdims=True)
    channels = channels.astype(np.float32)
    tail = responses.shape[-1] - 1
    length = channels.shape[-1] + tail
    size = next_fast_len(min(length, _BLOCK_SAMPLES + tail), real=True)
    step = size - tail
    rooms = rfft(responses.astype(np.float32), size)
    found = np.zeros((2, length + size))
    for start in range(0, channels.shape[-1], step):
        part = rfft(channels[:, start : start + step], size)
        found[:, start : start + size] += irfft(np.einsum("sf,sef->ef", part, rooms), size)
    return found[:, :length]


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
    if wishes.again is not None and (wishes.equalise or wishes.head or wishes.headphones):
        rule = "without --equalise, --head and --headphones, which it has settled"
        faults.append(invalid("--again", wishes.again, rule))
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


def _seat(loaded: LoadedJob, enclosure: Enclosure, head: ListenerHead) -> Seat:
    return seat_in(
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


def _remarks(
    shapes: Sequence[ShapeResponse],
    seat: Seat,
    enclosure: Enclosure,
    head: ListenerHead,
    wishes: Wishes,
    on_crossovers: Sequence[str],
) -> tuple[str, ...]:
    size = " x ".join(f"{value:.2f}" for value in enclosure.size_m)
    decay, error = seat.decay_s, left_out(head)
    lows, highs = zip(*(shape.band_hz for shape in shapes), strict=True)
    remarks = [
        f"room {size} m, reverberation time {decay.min():.2f} to {decay.max():.2f} s",
        f"below {max(lows):.0f} Hz each direction keeps its level there, above "
        f"{min(highs):.0f} Hz sound fades out; high-pass {BASS_HZ:g} Hz: the same for all shapes",
        "between solved frequencies up to "
        f"{max(shape.error_db for shape in shapes):.1f} dB off in front (estimate)",
        f"head: {head.name}; between its directions {error.level_db:.1f} dB and "
        f"{error.time_us:.0f} us off (root mean square, {error.n_directions} left out in turn)",
    ]
    if len(seat.head) == 1:
        remarks.append("room.seat_aside_m is 0: one loudspeaker plays both channels")
    if wishes.equalise == AXIS:
        remarks.append("on-axis responses are equalised to flat: the rest is the room's part")
    return (*remarks, *on_crossovers, CAUTION)


def _files(ready: Ready, heard: Sequence[Version], music: str) -> dict[str, bytes]:
    """Return names and contents of all that is written."""
    files = dict(ready.files)
    sounds: dict[str, FloatArray] = {}
    for version in heard:
        sounds[f"{version.name}.wav"] = version.whole
        for part, signal in version.parts.items():
            sounds[f"{version.name}_only_{part.replace(' ', '_')}.wav"] = signal
        if version.dry is not None:
            sounds[f"{version.name}_for_loudspeakers.wav"] = version.dry
    with ThreadPoolExecutor() as threads:
        files |= dict(zip(sounds, threads.map(sound_file, sounds.values()), strict=True))
    files[RESPONSES] = responses_bytes(ready)
    manifest = {
        "made_utc": utc_now(),
        "run": ready.run,
        "music": music,
        "versions": {version.name: asdict(version.level) for version in heard},
        "remarks": list(ready.remarks),
        "made_with": versions(),
        "files": sorted((*files, "manifest.json")),
    }
    files["manifest.json"] = json.dumps(manifest, indent=2).encode()
    return files
