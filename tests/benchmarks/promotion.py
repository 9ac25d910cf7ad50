# SPDX-License-Identifier: GPL-3.0-or-later
"""How often a draft drops what the standard quality ranks among the five best.

The rule that promotes: the best share of the drafts, and with them all that are within a margin
of the last one kept. The study is ``tests/references/lens_study.csv``, the lenses in it that were
solved at both qualities; fine is left out, it takes too long on two cores.

::

    python tests/benchmarks/promotion.py
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

TABLE = Path(__file__).parents[1] / "references/lens_study.csv"
SHARES = (1 / 2, 1 / 3, 1 / 4, 1 / 5)
MARGINS_DB = (0.0, 0.1, 0.3)
DRAWS = 2000


def main() -> None:
    """Print the losses for shares and margins, in the study and in random halves of it."""
    with TABLE.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    scores = {
        quality: {row["id"]: float(row["total_db"]) for row in rows if row["quality"] == quality}
        for quality in ("draft", "standard")
    }
    names = sorted(set(scores["draft"]) & set(scores["standard"]))
    draft_db = np.array([scores["draft"][name] for name in names])
    standard_db = np.array([scores["standard"][name] for name in names])
    offset_db = standard_db - draft_db
    ranks = [values.argsort().argsort() for values in (draft_db, standard_db)]
    print(
        f"{len(names)} lenses at draft and standard; standard less draft: "
        f"mean {offset_db.mean():+.3f} dB, spread {offset_db.std():.3f} dB; "
        f"correlation of the ranks {np.corrcoef(*ranks)[0, 1]:.3f}"
    )
    generator = np.random.default_rng(1)
    halves = [generator.choice(len(names), len(names) // 2, replace=False) for _ in range(DRAWS)]
    for share in SHARES:
        for margin_db in MARGINS_DB:
            kept = promoted(draft_db, share, margin_db)
            best = set(np.argsort(standard_db)[:5])
            lost = [
                5
                - len(
                    set(np.argsort(standard_db[h])[:5]) & promoted(draft_db[h], share, margin_db)
                )
                for h in halves
            ]
            print(
                f"best {share:.0%} and {margin_db:.1f} dB: kept {len(kept)}, dropped "
                f"{len(best - kept)} of the five best; in halves of the study {np.mean(lost):.2f} "
                f"of five, none in {np.mean(np.array(lost) == 0):.0%}"
            )


def promoted(draft_db: np.ndarray, share: float, margin_db: float) -> set[int]:
    """Return which candidates go on: the best share, and all within the margin of the last."""
    order = np.argsort(draft_db)
    last = draft_db[order[int(np.ceil(share * len(order))) - 1]]
    return {int(number) for number in np.flatnonzero(draft_db <= last + margin_db)}


if __name__ == "__main__":
    main()
