# SPDX-License-Identifier: GPL-3.0-or-later
"""The text of a STEP file: unit of length, names and corners of faces."""

import re

import pytest

from bafflelens.base.errors import GeometryError
from bafflelens.shapes.cad.step_file import read_step_text, unit_name

TEXT = """ISO-10303-21;
HEADER;
ENDSEC;
DATA;
/* a comment; with a semicolon */
#1=( LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.) );
#2=( NAMED_UNIT(*) PLANE_ANGLE_UNIT() SI_UNIT($,.RADIAN.) );
#3=( GEOMETRIC_REPRESENTATION_CONTEXT(3) GLOBAL_UNIT_ASSIGNED_CONTEXT((#1,#2))
 REPRESENTATION_CONTEXT('','') );
#10=CLOSED_SHELL('',(#11));
#11=ADVANCED_FACE('the engineer''s; \\X2\\00DC\\X0\\berlappung',(#12),#30,.T.);
#12=FACE_BOUND('',#13,.T.);
#13=EDGE_LOOP('',(#14));
#14=ORIENTED_EDGE('',*,*,#15,.T.);
#15=EDGE_CURVE('',#16,#18,#31,.T.);
#16=VERTEX_POINT('',#17);
#17=CARTESIAN_POINT('',(1.,-2.5,3.E1));
#18=VERTEX_POINT('',#19);
#19=CARTESIAN_POINT('',(4.,5.,6.));
#30=PLANE('',#40);
#31=LINE('',#17,#41);
ENDSEC;
END-ISO-10303-21;
"""
MILLI = "SI_UNIT(.MILLI.,.METRE.)"
INCH = """#1=( CONVERSION_BASED_UNIT('INCH',#5) LENGTH_UNIT() NAMED_UNIT(#7) );
#5=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(25.4),#6);
#6=( LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.) );"""


@pytest.fixture
def read(tmp_path):
    def read(old="", new=""):
        assert old in TEXT
        path = tmp_path / "part.step"
        path.write_text(TEXT.replace(old, new) if old else TEXT)
        return read_step_text(path)

    return read


def test_names_and_corners_of_faces(read):
    (face,) = read().faces
    assert face.name == "the engineer's; Überlappung"
    assert face.corners == ((1.0, -2.5, 30.0), (4.0, 5.0, 6.0))


@pytest.mark.parametrize(
    ("old", "new", "unit_m", "name"),
    [
        ("", "", 1e-3, "mm"),
        (MILLI, "SI_UNIT($,.METRE.)", 1.0, "m"),
        (MILLI, "SI_UNIT(.CENTI.,.METRE.)", 1e-2, "cm"),
        (re.findall("#1=.*", TEXT)[0], INCH, 0.0254, "inch"),
    ],
)
def test_unit_of_length(read, old, new, unit_m, name):
    assert read(old, new).unit_m == pytest.approx(unit_m)
    assert unit_name(unit_m) == name


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("ISO-10303-21;\nHEADER", "solid part", r"part\.step'\. Must be a STEP file: its first"),
        ("#1,#2", "#2", "with 'no units of length'. Must be a file that states one unit"),
        (MILLI, "SI_UNIT(.HUGE.,.METRE.)", "one unit of length; export it again, in mill"),
        (
            "#1,#2))",
            "#1,#50)) );\n#50=( LENGTH_UNIT() SI_UNIT($,.METRE.) );\n#51=( X()",
            "with '2 units of length'",
        ),
    ],
)
def test_files_without_a_unit_or_of_another_kind_are_refused(read, old, new, message):
    with pytest.raises(GeometryError, match=message):
        read(old, new)


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(GeometryError, match=r"readable STEP file \(No such file"):
        read_step_text(tmp_path / "none.step")
