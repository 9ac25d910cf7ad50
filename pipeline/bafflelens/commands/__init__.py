# SPDX-License-Identifier: GPL-3.0-or-later
"""What the verbs of the command line do and print: one module a theme, one function a verb.

`bafflelens.cli` lists the verbs and turns errors into exit codes. Heavy imports sit inside the
functions, so that ``--help`` is quick.
"""
