# SPDX-License-Identifier: GPL-3.0-or-later
"""Sound along felt: local reaction for grazing and for normal incidence against the exact field.

    .venv/bin/python tests/benchmarks/felt.py

Levels are re a rigid surface, 2 mm above the felt; errors are of the complex pressure. The
integral: `tests/references/porous.py`.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

import numpy as np
import porous

from bafflelens.base.medium import Air
from bafflelens.mesh.absorbers import INCIDENCES, PorousLayer

AIR = Air()
HEIGHT_M = 0.002


def main() -> None:
    """Print a row for each layer, frequency and distance."""
    print("kPa s/m^2  mm thick     Hz  mm away  exact dB  grazing dB  off %  normal dB  off %")
    for resistivity, thickness_m in ((3e4, 0.005), (1e5, 0.005), (3e4, 0.01)):
        for frequency_hz in (2000.0, 3000.0, 5000.0, 8000.0):
            k = 2 * np.pi * frequency_hz / AIR.sound_speed
            layer = porous.miki_layer(k, thickness_m, resistivity, frequency_hz)
            for distance_m in (0.03, 0.05, 0.075):
                rigid = porous.free_field(k, distance_m, HEIGHT_M)
                exact = porous.field(k, distance_m, HEIGHT_M, layer)
                cells = [f"{20 * np.log10(abs(exact / rigid)):8.1f}"]
                for incidence in INCIDENCES:
                    local = PorousLayer(
                        flow_resistivity=resistivity, thickness_m=thickness_m, incidence=incidence
                    ).admittance(frequency_hz, AIR)
                    found = porous.field(k, distance_m, HEIGHT_M, lambda s, b=local: 0 * s + b)
                    cells.append(f"{20 * np.log10(abs(found / rigid)):10.1f}")
                    cells.append(f"{100 * abs(found / exact - 1):5.0f}")
                print(
                    f"{resistivity / 1e3:9.0f} {1e3 * thickness_m:9.0f} {frequency_hz:6.0f} "
                    f"{1e3 * distance_m:8.0f}  {'  '.join(cells)}"
                )


if __name__ == "__main__":
    main()
