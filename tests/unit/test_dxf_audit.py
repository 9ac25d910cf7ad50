# SPDX-License-Identifier: GPL-3.0-or-later
"""Every template of shipped lenses as DXF, read and audited by ezdxf: no errors, no mending."""

import io

import pytest
from ezdxf import filemanagement
from handed_lens import LENSES, exported

from bafflelens.handoff.template_dxf import dxf_bytes
from bafflelens.handoff.templates import templates_of
from bafflelens.shapes.meshing.moving_parts import source_motions

QUICK = ("conic_lens", "vertical_lens")
OTHERS = [name for name in LENSES if name not in QUICK]


@pytest.mark.parametrize(
    "name",
    [*QUICK, *(pytest.param(n, marks=pytest.mark.slow) for n in OTHERS)],
)
def test_no_template_has_an_error(name):
    shape, solid = exported(name)
    motion = source_motions(shape, shape.defaults)[0]
    centre = [1e3 * value for value in motion.centre]
    rim = 1e3 * motion.outer_radius_m
    templates = list(templates_of(solid.sections, name, centre, rim))
    assert len(templates) >= 4  # profile and scraper, upright and level
    for template in templates:
        document = filemanagement.read(io.StringIO(dxf_bytes(template).decode()))
        auditor = document.audit()
        assert not auditor.errors, template.name
        assert not auditor.fixes, template.name
        lines = document.modelspace().query("LWPOLYLINE[layer=='OUTLINE']")
        assert len(lines) == len(template.loops)
        assert all(line.closed for line in lines)


def test_the_audit_sees_a_broken_file():
    _, solid = exported("conic_lens")
    (template, *_) = templates_of(solid.sections, "x", (0, 0, 0), 16.0)
    document = filemanagement.read(io.StringIO(dxf_bytes(template).decode()))
    document.modelspace().query("TEXT")[0].dxf.style = "of no such name"
    auditor = document.audit()
    assert auditor.errors or auditor.fixes
