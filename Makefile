# What is typed at a desk and by the CI. `make` alone lists the verbs.

SHELL := /bin/bash
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
# A worker takes a module at a time, in the order of tests/conftest.py.
SIDE_BY_SIDE := -n 2 --dist loadscope --no-loadscope-reorder
# What is imported is compiled then, and kept whatever the shell says, for all processes that the
# tests start; to compile all that is installed would take a minute.
unexport PYTHONDONTWRITEBYTECODE
# The solver is compiled while the rest is fetched: it needs no more than h5py, numba and scipy.
COMPILE := PYTHONPATH=pipeline $(BIN)/python .ci/compile_solver.py
INSTALL := $(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile

.DEFAULT_GOAL := help
.PHONY: help run test test-lowest compiled lint style types spelling

help:  ## list the verbs
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## /make \1\t/'

run: $(VENV)/installed  ## install into .venv if needed and run the first job
	$(BIN)/bafflelens run jobs/first_lens.toml

test: $(VENV)/installed-for-tests  ## install into .venv if needed and run all tests
	NUMBA_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python -m pytest $(SIDE_BY_SIDE)

test-lowest: .venv-lowest/installed  ## run all tests with the lowest versions that are declared
	NUMBA_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 .venv-lowest/bin/python -m pytest $(SIDE_BY_SIDE)

compiled: $(VENV)/installed
	NUMBA_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python .ci/compile_first.py

lint: style types spelling  ## style, types and spelling

style: $(VENV)/installed-for-tests
	$(BIN)/ruff check
	$(BIN)/ruff format --check

types: $(VENV)/installed-for-tests
	$(BIN)/mypy

spelling: $(VENV)/installed-for-tests
	$(BIN)/codespell

# The dependency groups of pyproject.toml need pip 25.1.
$(VENV)/installed: pyproject.toml
	@PYTHON=$(PYTHON) .ci/system_libraries
	@echo "Installing into $(VENV): a few minutes the first time."
	$(PYTHON) -m venv $(VENV)
	$(INSTALL) --upgrade 'pip>=25.1'
	$(INSTALL) h5py numba scipy
	@$(COMPILE) & compiling=$$!; $(INSTALL) --editable . && { wait $$compiling || echo "The first run will compile it."; }
	@touch $@

.venv-lowest/installed: pyproject.toml tests/lowest_versions.txt
	@PYTHON=$(PYTHON) .ci/system_libraries chromium
	$(PYTHON) -m venv .venv-lowest
	.venv-lowest/bin/python -m pip install --quiet --upgrade 'pip>=25.1'
	.venv-lowest/bin/python -m pip install --quiet --constraint tests/lowest_versions.txt --editable . --group test
	@touch $@

$(VENV)/installed-for-tests: $(VENV)/installed
	@PYTHON=$(PYTHON) .ci/system_libraries chromium
	$(INSTALL) --group test --group lint
	@touch $@
