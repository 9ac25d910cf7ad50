# SPDX-License-Identifier: GPL-3.0-or-later
"""What a job will do and cost, as text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bafflelens.commands.console import new_table, rough_duration, say, show_table

if TYPE_CHECKING:
    from bafflelens.job.cost_estimate import Plan
    from bafflelens.job.job_file import LoadedJob
    from bafflelens.job.sampling import Sampling


def print_plan(loaded: LoadedJob, sampling: Sampling, plan: Plan) -> None:
    """Print what a job will do and cost."""
    from bafflelens.directivity.loudspeaker import remarks_of
    from bafflelens.job.shown_only import shown_only_text

    say(f"{loaded.job.title}: no faults found.")
    candidates = str(len(sampling.candidates) + sampling.proposed)
    if sampling.proposed:
        candidates += f" candidates ({sampling.proposed} of them follow from what was solved)"
    else:
        candidates += " candidates"
    shapes = f"{candidates} and the baseline"
    if sampling.references:
        named = ", ".join(reference.id for reference in sampling.references)
        shapes += f", {len(sampling.references)} references ({named})"
    if loaded.plates:
        shapes += f", {len(loaded.plates)} plates that drivers were measured in"
    if plan.look:
        shapes += f", all as drafts first, then {plan.n_promoted} or more in full"
    if plan.finals:
        shapes += f", {plan.finals.n_shapes - 1} finalists and the baseline once more"
    if plan.remeshes:
        shapes += f", the best meshed {plan.remeshes} more ways"
    if plan.nearby:
        shapes += f", {plan.nearby.n_shapes} drafts of the leaders and what is near them"
    if sampling.skipped:
        samples = "sample" if sampling.skipped == 1 else "samples"
        shapes += f" ({sampling.skipped} {samples} skipped, for instance: {sampling.skipped_rule})"
    frequencies = [f for cost in plan.band_costs for f in cost.band.frequencies_hz]
    stages = [plan.look, plan.finals] if plan.look else [plan, plan.finals]
    solves = sum(stage.n_shapes * stage.n_frequencies for stage in stages if stage)
    solves += plan.n_promoted * plan.n_frequencies
    largest = max(plan.band_costs, key=lambda cost: cost.unknowns)
    lines = [
        ("shapes", shapes),
        (
            "frequencies",
            f"{plan.n_frequencies} from {min(frequencies):.0f} to {max(frequencies):.0f} Hz, "
            f"{solves} solves in all",
        ),
        ("unknowns", f"up to {largest.unknowns:,}"),
        (
            "memory",
            f"up to {plan.memory_bytes / 2**30:.1f} GiB in {plan.workers} worker processes, which "
            f"may take {plan.memory_limit_bytes / 2**30:.1f} GiB together" + _alone(plan),
        ),
        (
            "time",
            f"about {rough_duration(plan.total_seconds)} "
            f"(a shape: {rough_duration(plan.mesh_seconds)} to mesh, "
            f"{rough_duration(plan.solve_seconds)} to solve on one processor; "
            f"{rough_duration(plan.report_seconds)} for {_closing(plan)})",
        ),
    ]
    if text := shown_only_text(loaded.job):
        lines.append(("shown only", text))
    sound_speed = loaded.job.air.medium.sound_speed
    lines += [("sources", text) for text in remarks_of(loaded.loudspeaker, sound_speed)]
    for name, text in lines:
        say(f"  {name:12} {text}")
    table = new_table(
        "Bands of one shape (estimates)",
        *("from Hz", "to Hz", "frequencies", "unknowns", "matrix", "memory GiB", "time s"),
    )
    for cost in plan.band_costs:
        table.add_row(
            f"{cost.band.frequencies_hz[0]:.0f}",
            f"{cost.band.frequencies_hz[-1]:.0f}",
            str(len(cost.band.frequencies_hz)),
            f"{cost.unknowns:,}",
            cost.storage.value,
            f"{cost.memory_bytes / 2**30:.2f}",
            f"{cost.seconds:.1f}",
        )
    show_table(table)


def _closing(plan: Plan) -> str:
    """Return what comes after all shapes: a second opinion only where one is asked for."""
    return "second opinion and report" if plan.opinion_seconds else "report"


def _alone(plan: Plan) -> str:
    """Return which bands have to wait for each other, empty if none has."""
    if not plan.solved_alone or plan.workers == 1:
        return ""
    lowest = min(band.frequencies_hz[0] for band in plan.solved_alone)
    return f"; not every worker can hold a band from {lowest:.0f} Hz on at the same time"
