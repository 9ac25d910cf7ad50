# SPDX-License-Identifier: GPL-3.0-or-later
"""A ranking computed again by hand, from the files and from the page jobs/formulas.md alone.

What is recomputed here takes numpy, the numbers of the page's tables, and what is stored in
directivity.nc; nothing of it comes from the package's own criteria.
"""

import re
from itertools import pairwise, product
from pathlib import Path

import h5py
import numpy as np
import patterns
import pytest

from bafflelens.directivity.far_field_data import save
from bafflelens.directivity.interpolated import shown, with_shown_frequencies
from bafflelens.scoring.ranking import CandidateResult, rank
from bafflelens.scoring.score import score
from bafflelens.scoring.target import Room, ambitious_target, default_target

PAGE = (Path(__file__).parents[2] / "jobs" / "formulas.md").read_text(encoding="utf-8")
BAND = (2000.0, 12000.0)
DETOUR_M = 0.15
WINDOW = [(0, 0), *((a, 0) for a in (-30, -20, -10, 10, 20, 30)), (0, -10), (0, 10)]
WINDOW_DEG = {"horizontal": 30, "vertical": 10}
AROUND_DEG = {"horizontal": 60, "vertical": 40}
FLOOR = 10 ** (-20 / 10)
SOLVED_AS_NEEDED = (
    (0.15e-3, 0.2e-3, 0.3e-3, 0.45e-3, 0.7e-3),
    (1e-5, 1e-4, 1e-3),
    (0.05e-3, 0.15e-3, 0.3e-3, 0.5e-3),
)


def table(heading):
    """Return the rows of the first table under a heading of the page, as lists of text."""
    section = PAGE.split(f"## {heading}\n", 1)[1].split("\n## ", 1)[0]
    lines = [line for line in section.splitlines() if line.startswith("|")]
    return [[cell.strip().strip("`") for cell in row.strip("|").split("|")] for row in lines[2:]]


WEIGHTS = {row[0]: (float(row[1]), float(row[2])) for row in table("Terms and total")}
CURVES = table("Default target")


# ------------------------------------------------------------------ what the page says
class File:
    """What one directivity.nc says, its failed frequencies left out."""

    def __init__(self, path):
        with h5py.File(path) as data:
            solved = data["status"].asstr()[()] == "solved"
            self.all_hz = data["frequency"][()]
            self.hz = self.all_hz[solved]
            real, imaginary = (data[f"far_field_{part}"][0] for part in ("real", "imag"))
            field = (real.astype(float) + 1j * imaginary)[solved]
            self.power = data["cross_power_real"][0, 0][solved]
            self.azimuth, self.elevation = data["azimuth_deg"][()], data["elevation_deg"][()]
            self.weight = data["weight_sr"][()]
            self.is_cell = self.weight > 0
            self.half_cell = data.attrs["sphere_step_deg"] / 2
            self.sound_speed = data.attrs["air_sound_speed_m_s"]
            self.impedance = data.attrs["air_density_kg_m3"] * self.sound_speed
            self.centre = data["source_centre_m"][0]
            shown_hz = data["shown_frequency"][()] if "shown_frequency" in data else None
        if shown_hz is not None:
            self.all_hz, solved_field = self.hz, field
            field = self.between(field, shown_hz).astype(np.complex64).astype(complex)
            on_grid = [np.abs(one) ** 2 @ self.weight for one in (solved_field, field)]
            self.power = np.interp(shown_hz, self.hz, self.power / on_grid[0]) * on_grid[1]
            self.hz = shown_hz
        self.energy = np.abs(field) ** 2
        at = [np.flatnonzero((self.azimuth == a) & (self.elevation == e))[0] for a, e in WINDOW]
        self.axis = self.energy[:, at[0]]
        self.window = self.energy[:, at].mean(axis=1)

    def between(self, field, shown_hz):
        """Return the field at the shown frequencies."""
        azimuth, elevation = np.radians(self.azimuth), np.radians(self.elevation)
        ahead = np.cos(elevation) * np.cos(azimuth)
        to_left, up = np.cos(elevation) * np.sin(azimuth), np.sin(elevation)
        delay = -(self.centre @ np.array([ahead, to_left, up])) / self.sound_speed
        is_front = ahead > -1e-9
        front = np.flatnonzero(is_front)
        front = front[:: len(front) // 400]
        loudest = np.abs(field).max(axis=1, keepdims=True)
        found = []
        for decay_s, noise, margin_s in product(*SOLVED_AS_NEEDED):
            inverse = np.linalg.inv(kernel(self.hz, self.hz, decay_s) + noise * np.eye(len(field)))
            turned = np.exp(-2j * np.pi * np.outer(self.hz, delay[front] - margin_s))
            off = inverse @ (turned * field[:, front]) / np.diag(inverse)[:, np.newaxis].real
            off = np.mean(np.abs(off / loudest)[1:-1] ** 2)
            found.append((off, decay_s, noise, margin_s, inverse))
        _, decay_s, noise, margin_s, inverse = min(found, key=lambda one: one[0])
        turn = 2j * np.pi * (delay - margin_s)
        aligned = np.exp(-np.outer(self.hz, turn)) * field
        kernels = kernel(shown_hz, self.hz, decay_s)
        weights = kernels @ inverse
        between = np.exp(np.outer(shown_hz, turn)) * (weights @ aligned)

        left_open = np.maximum(1 - np.sum(weights * kernels.conj(), axis=1).real, 0) + noise
        amount = np.abs(inverse @ aligned) ** 2 / np.diag(inverse)[:, np.newaxis].real
        place = np.interp(shown_hz, self.hz, np.arange(len(self.hz)))
        near = np.maximum(1 - np.abs(place[:, np.newaxis] - np.arange(len(self.hz))) / 2.5, 0)
        sigma = np.sqrt(left_open / near.sum(axis=1))[:, np.newaxis] * np.sqrt(near @ amount)
        size = np.abs(between)
        off = 20 * np.log10(1 + 1.25 * sigma / size)
        loud = size > size.max(axis=1, keepdims=True) / 10
        self.errors = [
            np.array(
                [
                    np.percentile(one[k], 99) if k.any() else 0
                    for one, k in zip(off, kept, strict=True)
                ]
            )
            for kept in (loud & is_front, loud & ~is_front)
        ]
        return between

    def orbit(self, plane):
        """Return angles and energies re the window on an orbit, -180 to 180 degrees."""
        if plane == "horizontal":
            on = self.elevation == 0
            angle = self.azimuth[on]
        else:
            on = (self.azimuth == 0) | (self.azimuth == 180)
            over = np.where(self.elevation >= 0, 180 - self.elevation, -180 - self.elevation)
            angle = np.where(self.azimuth == 180, over, self.elevation)[on]
        order = np.argsort(angle)
        order = np.concatenate((order[-1:], order))
        angle = np.concatenate(([-180.0], angle[order[1:]]))
        return angle, self.energy[:, on][:, order] / self.window[:, np.newaxis]

    def arc(self, plane, at_deg):
        """Return the level over +-5 degrees around one angle."""
        angle, energy = self.orbit(plane)
        near = np.abs(angle - at_deg) <= 5 + 1e-9
        return 10 * np.log10(np.maximum(energy[:, near].mean(axis=1), FLOOR))

    def edge(self, plane, angle_deg, sign):
        """Return the lowest level from half an angle to the angle."""
        count = max(2, int(np.ceil(angle_deg / 5)) + 1)
        steps = np.linspace(angle_deg / 2, angle_deg, count)
        return np.min([self.arc(plane, sign * step) for step in steps], axis=0)

    def bounce(self, elevation_deg, azimuth_deg):
        """Return the level over a patch, each direction by the solid angle it shares."""
        aside = (self.azimuth - azimuth_deg + 180) % 360 - 180
        top = np.clip(np.minimum(self.elevation + self.half_cell, elevation_deg + 10), -90, 90)
        low = np.clip(np.maximum(self.elevation - self.half_cell, elevation_deg - 10), -90, 90)
        height = np.maximum(np.sin(np.radians(top)) - np.sin(np.radians(low)), 0)
        across = np.minimum(aside + self.half_cell, 30) - np.maximum(aside - self.half_cell, -30)
        across = np.where(np.abs(self.elevation) == 90, 60, np.maximum(across, 0))
        share = height * np.radians(across) * self.is_cell
        level = self.energy @ share / share.sum() / self.window
        return 10 * np.log10(np.maximum(level, FLOOR))

    def shown_to(self):
        """Return where the steps become wider than half a period of the ripple."""
        allowed = self.sound_speed / (2 * DETOUR_M)
        wide = (np.diff(self.all_hz) > allowed) & (self.all_hz[1:] > BAND[0])
        end = self.all_hz[:-1][wide][0] if wide.any() else BAND[1]
        return (BAND[0], float(np.clip(end, *BAND)))


def kernel(one_hz, other_hz, decay_s):
    a, b = ((hz / 1000) ** 0.4 / decay_s for hz in (one_hz[:, np.newaxis], other_hz))
    return 2 * np.sqrt(a * b) / (a + b - 4j * np.pi * (one_hz[:, np.newaxis] - other_hz))


def octave_mean(hz, value, weight, band):
    """Return the mean over the octaves of half the mean and half the worst third."""
    value = np.where(weight > 0, value, 0)
    position = np.log2(hz)
    middle = (position[1:] + position[:-1]) / 2
    left = np.concatenate(([2 * position[0] - middle[0]], middle))
    right = np.concatenate((middle, [2 * position[-1] - middle[-1]]))

    def part(low, high):
        share = np.minimum(right, np.log2(high)) - np.maximum(left, np.log2(low))
        share = np.maximum(share, 0) * weight
        return share.sum(), share @ value / share.sum() if share.sum() > 0 else 0.0

    total, summed = 0.0, 0.0
    for number in range(int(np.ceil(np.log2(band[1] / band[0]) - 1e-9))):
        low = band[0] * 2**number
        high = min(2 * low, band[1])
        whole, mean = part(low, high)
        thirds = [
            part(*ends) for ends in pairwise(np.minimum(low * 2 ** (np.arange(4) / 3), high))
        ]
        worst = max((m for s, m in thirds if s >= weight.max() / 6), default=mean)
        total, summed = total + whole, summed + whole * (mean + worst) / 2
    return summed / total


def limit_at(hz, curve):
    """Return level and weight of a limit: straight lines over log f, nothing outside."""
    points, levels, weights = np.array(curve, dtype=float).T
    asked = (hz >= points[0] * (1 - 1e-9)) & (hz <= points[-1] * (1 + 1e-9))
    level, weight = (np.interp(np.log(hz), np.log(points), v) for v in (levels, weights))
    return np.where(asked, level, np.nan), np.where(asked, weight, 0)


def curve_of(name):
    """Return (Hz, dB, weight) of one limit of the page's table."""
    (row,) = (row for row in CURVES if row[0] == name)
    return [tuple(map(float, point.split(":"))) for point in row[1].split(", ")]


def bounce_angles(room, name):
    """Return the angles of a bounce: main seat, then from the nearest to the farthest."""
    image = {"floor": -room["ear"], "ceiling": 2 * room["height"] - room["ear"]}[name]
    rise = image - room["tweeter"]
    main, nearest, farthest = (
        np.degrees(np.arctan2(rise, d)) for d in (room["main"], room["nearest"], room["farthest"])
    )
    if room["nearest"] == room["farthest"]:
        return [main]
    count = max(2, int(np.ceil(abs(farthest - nearest) / 10)) + 1)
    return [main, *np.linspace(nearest, farthest, count)]


def seat_azimuth(room):
    ahead = np.sqrt(room["main"] ** 2 - room["aside"] ** 2)
    return np.degrees(np.arctan2(room["aside"], ahead)) - room["toe_in"]


def shortfall(file, plane, names):
    """Return the mean over both sides of what is missing."""
    angles = [float(re.search(r"\d+", name)[0]) for name in names]
    limits = [limit_at(file.hz, curve_of(name)) for name in names]
    most = np.max([weight for _, weight in limits], axis=0)
    sides = []
    for sign in (-1, 1):
        missing = [
            np.where(weight > 0, weight * np.maximum(level - file.edge(plane, angle, sign), 0), 0)
            for angle, (level, weight) in zip(angles, limits, strict=True)
        ]
        worst = np.max(missing, axis=0) / np.where(most > 0, most, 1)
        sides.append(octave_mean(file.hz, worst, most, BAND))
    return np.mean(sides)


def third_octave_change(hz, curve, end_hz):
    """Return the change of a curve over a third-octave, and where both of its ends are known."""
    step = 2 ** (1 / 6)
    reach = min(hz[-1], end_hz)
    known = (hz / step >= hz[0] * (1 - 1e-9)) & (hz * step <= reach * (1 + 1e-9))
    up, down = (np.interp(np.log(at), np.log(hz), curve) for at in (hz * step, hz / step))
    return up - down, known


def vertical_control(file, room):
    values = []
    for name in ("floor", "ceiling"):
        bounces = [file.bounce(a, seat_azimuth(room)) for a in bounce_angles(room, name)]
        level, weight = limit_at(file.hz, curve_of(name))
        values.append(
            octave_mean(file.hz, np.maximum(np.max(bounces, axis=0) - level, 0), weight, BAND)
        )
    return np.mean(values)


def up_down_symmetry(file, room):
    steepest = max(abs(bounce_angles(room, name)[0]) for name in ("floor", "ceiling"))
    angles = 5 * np.arange(1, max(1, round(steepest / 5)) + 1)
    apart = [np.abs(file.arc("vertical", a) - file.arc("vertical", -a)) for a in angles]
    return octave_mean(file.hz, np.mean(apart, axis=0), np.ones_like(file.hz), BAND)


def on_axis_ripple(file):
    judged = file.shown_to()
    degree = int(np.ceil(np.log2(judged[1] / judged[0]) - 1e-9))
    used = (file.hz >= judged[0] * (1 - 1e-9)) & (file.hz <= judged[1] * (1 + 1e-9))
    position, values = np.log2(file.hz[used] / judged[0]), []
    for energy in (file.axis, file.window):
        level = 10 * np.log10(energy[used])
        remainder = np.abs(level - np.polyval(np.polyfit(position, level, degree), position))
        values.append(octave_mean(file.hz[used], remainder, np.ones_like(remainder), judged))
    return np.mean(values)


def width_smoothness(file):
    judged = file.shown_to()
    both = [10 ** (file.arc("horizontal", a) / 10) for a in (-60, 60)]
    change, known = third_octave_change(file.hz, 10 * np.log10(np.mean(both, axis=0)), judged[1])
    curve, step = curve_of("horizontal 60"), 2 ** (1 / 6)
    wanted = limit_at(file.hz * step, curve)[0] - limit_at(file.hz / step, curve)[0]
    weight = np.where(known & np.isfinite(wanted), limit_at(file.hz, curve)[1], 0)
    over = change - np.maximum(wanted, 0)
    under = np.minimum(wanted, 0) - change
    excess = np.maximum(np.maximum(over, under), 0)
    return octave_mean(file.hz, excess, weight, judged)


def index_smoothness(file):
    judged = file.shown_to()
    index = 10 * np.log10(4 * np.pi * file.window / (2 * file.impedance * file.power))
    change, known = third_octave_change(file.hz, index, judged[1])
    excess = np.maximum(np.maximum(change - 0.5, -change), 0)
    return octave_mean(file.hz, excess, known.astype(float), judged)


def side_lobes(file):
    values = []
    for plane, edge in WINDOW_DEG.items():
        heights = []
        for sign in (-1, 1):
            angles = np.arange(edge, 90 + 2.5, 2.5)
            side = np.array([file.arc(plane, sign * angle) for angle in angles])
            heights.append((side - np.minimum.accumulate(side)).max(axis=0))
        values.append(octave_mean(file.hz, np.max(heights, axis=0), np.ones_like(file.hz), BAND))
    return np.mean(values)


def window_nulls(file):
    values = []
    for plane, edge in WINDOW_DEG.items():
        angle, energy = file.orbit(plane)
        level = 10 * np.log10(np.maximum(energy, FLOOR))
        depths = []
        for at in np.flatnonzero(np.abs(angle) <= edge):
            left = level[:, (angle >= -AROUND_DEG[plane]) & (angle <= angle[at])].max(axis=1)
            right = level[:, (angle <= AROUND_DEG[plane]) & (angle >= angle[at])].max(axis=1)
            depths.append(np.minimum(left, right) - level[:, at])
        values.append(octave_mean(file.hz, np.max(depths, axis=0), np.ones_like(file.hz), BAND))
    return np.mean(values)


def sensitivity_loss(file, baseline):
    own, other = (10 * np.log10(one.window) for one in (file, baseline))
    other = np.interp(np.log(file.hz), np.log(baseline.hz), other)
    return octave_mean(file.hz, other - own, np.ones_like(own), BAND)


def recomputed(file, baseline, room):
    """Return every term and the total."""
    values = {
        "vertical_control": vertical_control(file, room),
        "horizontal_width": shortfall(file, "horizontal", ["horizontal 60", "horizontal 30"]),
        "seat_height": shortfall(file, "vertical", ["seat 10"]),
        "on_axis_ripple": on_axis_ripple(file),
        "width_smoothness": width_smoothness(file),
        "index_smoothness": index_smoothness(file),
        "up_down_symmetry": up_down_symmetry(file, room),
        "side_lobes": side_lobes(file),
        "window_nulls": window_nulls(file),
        "sensitivity_loss": sensitivity_loss(file, baseline),
    }
    total = sum(
        weight * max(0.0, values[name] - tolerance)
        for name, (weight, tolerance) in WEIGHTS.items()
    )
    return values, total


# ------------------------------------------------------------------ an invented ranking
def shape(width, depth_db, tilt, louder_db, echo):
    """Return a beam with a tilt, an edge's echo, and a null that wanders through the window."""

    def pattern(frequency, azimuth, elevation):
        octave = np.log2(frequency / 1000)
        theta = np.degrees(patterns.off_axis(azimuth, elevation - tilt * octave))
        beam = 10 ** (-np.minimum((theta / (width - 12 * octave)) ** 2 * 3, 26) / 20)
        k = 2 * np.pi * frequency / patterns.AIR.sound_speed
        path = 0.11 * (1 - np.sin(np.radians(azimuth)) * np.cos(np.radians(elevation)))
        hole = np.exp(-(((azimuth - 14 + 6 * octave) / 7) ** 2 + ((elevation - 3) / 9) ** 2))
        null = 10 ** (-depth_db * hole / 20)
        return 10 ** (louder_db / 20) * beam * null * (1 + echo * np.exp(1j * k * path))

    return pattern


SHAPES = {
    "baseline": (shape(110, 1, 0, 0, 0.25), patterns.sixth_octaves(per_octave=12), ()),
    "c001": (shape(62, 6, 3, -2.5, 0.12), patterns.sixth_octaves(per_octave=24), ()),
    "c002": (shape(80, 14, -5, -4, 0.4), patterns.sixth_octaves(), ()),
    "c003": (shape(70, 0, 1, 3, 0.05), patterns.sixth_octaves(per_octave=24), (13, 60)),
}
ROOMS = {
    "one seat": {},
    "three seats, turned in": {
        "distance_m": 2.8,
        "nearest_m": 2.0,
        "farthest_m": 4.5,
        "ear_height_m": 1.1,
        "tweeter_height_m": 0.9,
        "ceiling_height_m": 2.6,
        "seat_aside_m": 1.2,
        "toe_in_deg": 12.0,
    },
}


def by_page(**given):
    """Return a room in the words of this file, with the page's defaults."""
    rows = {row[0].removeprefix("room."): row[1] for row in table("Angles of the bounces")}
    found = {name: float(value) for name, value in rows.items()} | given
    return {
        "main": found["distance_m"],
        "nearest": found.get("nearest_m", found["distance_m"]),
        "farthest": found.get("farthest_m", found["distance_m"]),
        "ear": found["ear_height_m"],
        "tweeter": found["tweeter_height_m"],
        "height": found["ceiling_height_m"],
        "aside": found["seat_aside_m"],
        "toe_in": found["toe_in_deg"],
    }


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """Datasets as the package has them, and the same read from their files by hand."""
    folder, found = tmp_path_factory.mktemp("formulas"), {}
    for name, (pattern, frequencies, failed) in SHAPES.items():
        data = patterns.dataset(pattern, frequencies, failed=[frequencies[i] for i in failed])
        save(data, folder / f"{name}.nc")
        found[name] = (data, File(folder / f"{name}.nc"))
    return found


@pytest.mark.parametrize("room", ROOMS)
def test_every_term_and_the_total_follow_from_the_page(stored, room):
    target, by_hand = default_target(Room(**ROOMS[room])), by_page(**ROOMS[room])
    (baseline, baseline_file), seen = stored["baseline"], {}
    for name, (data, file) in stored.items():
        found = score(data, target, baseline=baseline)
        values, total = recomputed(file, baseline_file, by_hand)
        assert {term.name: term.value_db for term in found.terms} == pytest.approx(
            values, abs=1e-9
        )
        assert found.total_db == pytest.approx(total, abs=1e-9), name
        for term in found.terms:
            assert (term.weight, term.tolerance_db) == WEIGHTS[term.name]
            seen[term.name] = max(seen.get(term.name, 0.0), term.excess_db)
    # Every term costs something somewhere, or its formula would not have been tried.
    assert min(seen.values()) > 0.01, seen


@pytest.mark.parametrize("room", ROOMS)
def test_ambitious_levels_follow_from_the_page(room):
    target, by_hand = ambitious_target(Room(**ROOMS[room])), by_page(**ROOMS[room])
    ear, tweeter = by_hand["ear"], by_hand["tweeter"]
    rises = {"floor": ear + tweeter, "ceiling": 2 * by_hand["height"] - ear - tweeter}
    for name, rise in rises.items():
        spreading = [
            20 * np.log10(np.hypot(by_hand[seat], ear - tweeter) / np.hypot(by_hand[seat], rise))
            for seat in ("nearest", "main", "farthest")
        ]
        limit = getattr(target, name)
        assert limit.levels_db == pytest.approx([-10 - max(spreading)] * 5, abs=1e-12)
        assert limit.angles_deg == pytest.approx(bounce_angles(by_hand, name), abs=1e-12)


def test_places_follow_from_the_totals(stored):
    target, room = default_target(), by_page()
    (baseline, baseline_file), totals, results = stored["baseline"], {}, []
    for name in ("baseline", "c001", "c002"):
        data, file = stored[name]
        totals[name] = recomputed(file, baseline_file, room)[1]
        results.append(
            CandidateResult(
                id=name,
                label="invented",
                is_baseline=name == "baseline",
                values={},
                score=score(data, target, baseline=baseline),
                status="solved",
            )
        )
    rows = rank(results)
    assert [row.candidate.id for row in rows] == sorted(totals, key=totals.__getitem__)
    better = {row.candidate.id: row.better_by_db for row in rows}
    assert better == pytest.approx(
        {n: totals["baseline"] - t for n, t in totals.items()}, abs=1e-9
    )


def test_what_is_solved_as_needed_is_judged_at_the_shown_frequencies(stored, tmp_path):
    shown_hz = patterns.sixth_octaves(per_octave=24)
    data = patterns.dataset(SHAPES["c001"][0], patterns.sixth_octaves(per_octave=9))
    data = with_shown_frequencies(data, shown_hz[:-1], 0.3)
    save(data, tmp_path / "c004.nc")
    baseline, baseline_file = stored["baseline"]
    found = score(shown(data), default_target(), baseline=baseline)
    file = File(tmp_path / "c004.nc")
    values, total = recomputed(file, baseline_file, by_page())
    for name, errors in zip(("error", "error_behind"), file.errors, strict=True):
        stored_db = data[f"interpolation_{name}_db"].values
        assert errors == pytest.approx(stored_db, rel=1e-6, abs=1e-9), name
        assert errors.max() > 0.01
    assert {term.name: term.value_db for term in found.terms} == pytest.approx(values, abs=1e-6)
    assert found.total_db == pytest.approx(total, abs=1e-6)
    # The solved frequencies alone give something else.
    coarse = score(data.drop_vars("shown_frequency"), default_target(), baseline=baseline)
    assert abs(coarse.total_db - total) > 1e-3
