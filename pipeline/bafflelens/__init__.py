# SPDX-License-Identifier: GPL-3.0-or-later
"""Find, rank and trust tweeter lens and baffle shapes.

From the job file to the report, in the order of the data:

- `bafflelens.job`, `bafflelens.jobfile`: what a job says; reading and checking it
- `bafflelens.sampling`, `bafflelens.plan`: its candidates; what they will cost
- `bafflelens.geometry`: shape scripts and their meshes
- `bafflelens.bem`, `bafflelens.sweep`: boundary elements at one frequency; over a band
- `bafflelens.directivity`, `bafflelens.polars`: far fields; what is read off them
- `bafflelens.target`, `bafflelens.criteria`, `bafflelens.score`, `bafflelens.ranking`: judgement
- `bafflelens.report`: the page
- `bafflelens.run`: all of it

Conventions (axes, angles, signs, units) are in `bafflelens.conventions`. Nothing is imported
here, so that the command line starts quickly.
"""
