# What can be asked for here. Each target first sees to it that .venv is there and up to date.
#
#   make demo               set up, decode a number, look a body up, publish, serve; Ctrl-C ends it
#   make demo ARGS=--once   the same without staying
#   make test               set up and run the whole test suite   (one file: make test ARGS=tests/test_rooms.py)
#   make sample             build sample_registry.db again from sample/
#   make docs               write docs/commands.md again from what the commands print
#   make bench              measure, as ratios in one run
#   make lint               ruff and mypy
#   make lock               requirements.lock again from pyproject.toml (needs uv)
#
# PYTHON names the interpreter to build .venv with, where the first Python 3.11 or newer on the path is not the one wanted.

PYTHON ?=
ARGS ?=
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.stamp-installed
LINT_STAMP := $(VENV)/.stamp-lint

.DEFAULT_GOAL := help
.DELETE_ON_ERROR:
.PHONY: help setup demo test sample docs bench lint lock clean

help:
	@sed -n 's/^# \{0,1\}//p' Makefile | sed -n '1,/^PYTHON names/p'

setup: $(STAMP)

$(STAMP): requirements.lock pyproject.toml tools/set_up.sh
	@PYTHON='$(PYTHON)' sh tools/set_up.sh $(VENV)
	@touch $@

$(LINT_STAMP): $(STAMP)
	@$(BIN)/python -m pip install --quiet --no-build-isolation --editable '.[dev]'
	@touch $@

demo: $(STAMP)
	@$(BIN)/python tools/demo.py $(ARGS)

test: $(STAMP)
	@$(BIN)/python -m pytest $(ARGS)

sample: $(STAMP)
	@$(BIN)/python sample/build.py sample_registry.db

docs: $(STAMP)
	@$(BIN)/python tools/write_docs.py

bench: $(LINT_STAMP)
	@$(BIN)/python -m pytest -o addopts= -q -s tests/benchmarks $(ARGS)

lint: $(LINT_STAMP)
	@$(BIN)/ruff check .
	@$(BIN)/mypy

# One lock for all platforms. The constraint files of one machine must not get into it, hence --no-config.
lock:
	@uv pip compile --quiet --no-config --universal --generate-hashes --python-version 3.11 --extra test \
	  --custom-compile-command 'make lock' pyproject.toml --output-file requirements.lock

clean:
	@rm -rf $(VENV) build *.egg-info .pytest_cache .hypothesis .mypy_cache .ruff_cache artefacts
