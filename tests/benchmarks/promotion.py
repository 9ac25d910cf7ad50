# SPDX-License-Identifier: GPL-3.0-or-later
"""How often a draft drops what a better quality ranks among the five best.

The rule that promotes is that of a run (`bafflelens.job.fidelity.promoted`): the best share of the
drafts, and with them all that are within a margin of the last one kept. The study is
``tests/references/lens_study.csv``, the lenses in it that were solved at both qualities.

::

    python tests/benchmarks/promotion.py
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from bafflelens.job.fidelity import promoted

TABLE = Path(__file__).parents[1] / "references/lens_study.csv"
SHARES = (1 / 2, 1 / 3, 1 / 4, 1 / 5)
MARGINS_DB = (0.0, 0.1, 0.3)
DRAWS = 2000
BEST = 5


def main() -> None:
    """Print the losses for shares and margins, in the study and in random halves of it."""
    with TABLE.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    scores = {
        quality: {row["id"]: float(row["total_db"]) for row in rows if row["quality"] == quality}
        for quality in ("draft", "standard", "fine")
    }
    for quality in ("standard", "fine"):
        print_losses(quality, scores["draft"], scores[quality])


def print_losses(quality: str, drafts: Mapping[str, float], better: Mapping[str, float]) -> None:
    """Print what a rule drops of the five best at a better quality."""
    names = sorted(set(drafts) & set(better))
    draft_db = np.array([drafts[name] for name in names])
    better_db = np.array([better[name] for name in names])
    offset_db = better_db - draft_db
    ranks = [values.argsort().argsort() for values in (draft_db, better_db)]
    print(
        f"{len(names)} lenses at draft and {quality}; {quality} less draft: "
        f"mean {offset_db.mean():+.3f} dB, spread {offset_db.std():.3f} dB; "
        f"correlation of the ranks {np.corrcoef(*ranks)[0, 1]:.3f}"
    )
    generator = np.random.default_rng(1)
    halves = [generator.choice(len(names), len(names) // 2, replace=False) for _ in range(DRAWS)]
    for share in SHARES:
        for margin_db in MARGINS_DB:
            kept = kept_of(draft_db, share, margin_db)
            lost = [
                BEST - len(best_of(better_db[h]) & kept_of(draft_db[h], share, margin_db))
                for h in halves
            ]
            print(
                f"  best {share:.0%} and {margin_db:.1f} dB: kept {len(kept)}, dropped "
                f"{len(best_of(better_db) - kept)} of the five best; in halves of the study "
                f"{np.mean(lost):.2f} of five, none in {np.mean(np.array(lost) == 0):.0%}"
            )


def best_of(scores_db: np.ndarray) -> set[int]:
    """Return the five best."""
    return {int(number) for number in np.argsort(scores_db)[:BEST]}


def kept_of(scores_db: np.ndarray, share: float, margin_db: float) -> set[int]:
    """Return which candidates go on by the rule of a run."""
    named = {f"{number:04d}": float(score_db) for number, score_db in enumerate(scores_db)}
    return {int(name) for name in promoted(named, 100 * share, margin_db)}


if __name__ == "__main__":
    main()
