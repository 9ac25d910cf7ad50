# SPDX-License-Identifier: GPL-3.0-or-later
"""The page: everything a report shows, put into the templates beside this file."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache, partial
from pathlib import Path

import numpy as np
from jinja2 import Environment

from bafflelens.base.parameter_words import amount, called
from bafflelens.report import words
from bafflelens.report.blocks import (
    choice,
    comparison,
    detail_of,
    first_drawings,
    response_slopes,
    thumbnails,
    zero_text,
)
from bafflelens.report.carvings import carvings_of
from bafflelens.report.curves import requirements_of
from bafflelens.report.domes import domes_of
from bafflelens.report.first_screen import first_screen_of
from bafflelens.report.influence import OUTCOMES, influence_of
from bafflelens.report.leaders import leader_summary
from bafflelens.report.pdf import Filed, filed_report
from bafflelens.report.shown import (
    all_curves,
    baseline_row,
    changes_of,
    detailed_of,
    drawn_of,
    names_of,
    scales_of,
)
from bafflelens.report.side_by_side import MOST_CHOSEN, side_by_side
from bafflelens.report.small_maps import small_map
from bafflelens.report.style import drawing_style, png_uri, svg_uri
from bafflelens.report.tables import (
    LEFT_OUT,
    bar_width,
    columns_of,
    facts_of,
    largest_total,
    solver_checks,
    solver_summary,
    target_rows,
    term_colours,
    term_units,
    terms_of,
)
from bafflelens.report.templates import templates_in
from bafflelens.report.view import RunView
from bafflelens.scoring.ranking import RankedRow


def write_report(run: RunView, path: Path) -> None:
    """Write the report of a run as one HTML file that needs nothing else.

    The file is written under a temporary name first and then renamed; an older report under
    that name is replaced.

    Parameters
    ----------
    run : RunView
        What to show.
    path : Path
        The file.
    """
    content = render(run)
    temporary = path.with_name(path.name + ".part")
    temporary.write_text(content, encoding="utf-8")
    temporary.replace(path)


def filed(run: RunView, *, with_appendix: bool = False) -> bytes:
    """Return the report of a run as a PDF for filing.

    Parameters
    ----------
    run : RunView
        What to show.
    with_appendix : bool
        Whether the whole ranking and the figures of each leader follow.
    """
    names = names_of(run.rows)
    baseline, best = baseline_row(run.rows), _best(run)
    drawn = drawn_of(run, names, baseline)
    reference = next((entry for entry in drawn if entry.row is baseline), None)
    winner = next((entry for entry in drawn if entry.row is best), None)
    changes = changes_of(run, reference)
    with drawing_style():
        influence = influence_of(run)
    first = first_screen_of(
        run,
        winner,
        reference,
        changes.get(best.candidate.id, {}) if best else {},
        influence,
    )
    content = Filed(
        run=run,
        answer=answer(run, best, baseline, names, changes),
        first=first,
        names=names,
        drawn=drawn,
        winner=winner,
        reference=reference,
        changes=changes,
    )
    return filed_report(content, with_appendix=with_appendix)


def render(run: RunView) -> str:
    """Return the report of a run as HTML text."""
    names = names_of(run.rows)
    baseline = baseline_row(run.rows)
    best = _best(run)
    drawn = drawn_of(run, names, baseline)
    reference = next((entry for entry in drawn if entry.row is baseline), None)
    winner = next((entry for entry in drawn if entry.row is best), None)
    changes = changes_of(run, reference)
    checks = solver_checks(run, names)
    scales = scales_of(run, drawn)
    curves = all_curves(run, drawn, baseline)
    with drawing_style():
        chosen_between = choice(run, names)
        influence = influence_of(run)
        domes = domes_of(run.every_row, names)
        small_maps = thumbnails(drawn, scales, run)
        first = first_screen_of(
            run,
            winner,
            reference,
            changes.get(best.candidate.id, {}) if best else {},
            influence,
        )
        first_drawn = (
            first_drawings(winner, reference, scales, run) if winner and reference else ()
        )
        compared = comparison(winner, reference, scales, run)
        details = [
            detail_of(entry, None if entry is reference else reference, scales, run)
            for entry in detailed_of(run, drawn)
        ]
    return (
        _environment()
        .get_template("page.html.jinja")
        .render(
            run=run,
            names=names,
            baseline=baseline,
            best=best,
            first=first,
            first_drawn=first_drawn,
            answer=answer(run, best, baseline, names, changes),
            changes=changes,
            best_changes=changes.get(best.candidate.id, {}) if best else {},
            columns=columns_of(run),
            terms=terms_of(run.rows),
            term_units=term_units(run.rows),
            colour_of=term_colours(run.rows),
            bar_width=partial(bar_width, largest_total(run.rows)),
            has_labels=len({row.candidate.label for row in run.rows}) > 2,
            choice=chosen_between,
            influence=influence,
            domes=domes,
            carvings=carvings_of(run, names),
            outcomes=OUTCOMES,
            thumbnails=small_maps,
            comparison=compared,
            beside=side_by_side(run, curves, names, scales.response_label),
            small_maps={
                name: {plane: small_map(own, plane) for plane in ("vertical", "horizontal")}
                for name, own in curves.items()
            },
            summaries={
                entry.row.candidate.id: leader_summary(
                    entry.row,
                    baseline,
                    names[baseline.candidate.id],
                    changes.get(entry.row.candidate.id, {}),
                    names,
                )
                for entry in drawn
                if not entry.row.candidate.is_baseline
            },
            most_chosen=MOST_CHOSEN,
            details=details,
            failures=words.grouped_failures(run),
            requirements=requirements_of(run.target),
            zero=zero_text(reference, run),
            slopes=response_slopes(scales),
            checks=checks,
            has_interpolation=any(np.isfinite(check.interpolation_db) for check in checks),
            checked=solver_summary(checks),
            facts=facts_of(drawn),
            target_rows=list(target_rows(run.target)),
            left_out=LEFT_OUT,
        )
    )


def _best(run: RunView) -> RankedRow | None:
    """Return the best candidate that nobody rejected, None if none has a place.

    Where all are rejected, the best of those: the answer says that it is.
    """
    placed = [row for row in run.rows if row.place is not None and not row.candidate.is_baseline]
    return next((row for row in placed if not row.rejected), next(iter(placed), None))


@cache
def _environment() -> Environment:
    environment = templates_in(Path(__file__).parent)
    environment.filters |= {
        "amount": amount,
        "called": called,
        "capitalize_first": lambda text: text[:1].upper() + text[1:],
        "db": words.decibel_text,
        "signed_db": words.signed_decibels,
        "number": words.number,
        "duration": words.duration,
        "band": words.range_text,
        "png_uri": png_uri,
        "svg_uri": svg_uri,
    }
    return environment


def answer(
    run: RunView,
    best: RankedRow | None,
    baseline: RankedRow,
    names: Mapping[str, str],
    changes: Mapping[str, Mapping[str, words.Direction]],
) -> list[str]:
    """Return the answer in sentences, the verdict first."""
    name, band = names[baseline.candidate.id], run.settings.band_hz
    sentences = [words.verdict(run, best, baseline, name)]
    if best is None:
        return sentences
    sentences.append(words.rejected_sentence(run.rows, best))
    found = changes.get(best.candidate.id)
    if found:
        sentences += [
            words.vertical_sentence(found, band, name),
            words.horizontal_sentence(found.get("side"), band, name),
        ]
    sentences.append(words.target_sentence(best))
    places = {row.candidate.id: row.place for row in run.rows if not row.candidate.is_baseline}
    sentences.append(words.leader_sentence(changes, best.candidate.id, places))
    sentences.append(words.next_sentence(run.rows, best, run.ranges))
    return [sentence for sentence in sentences if sentence]
