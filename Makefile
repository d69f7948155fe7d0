# sparktick from a checkout.  Needs Python >= 3.11, a C and C++ compiler, and make.
#
#   make demo        the whole job once, for an invented engine
#   make test        all tests
#   make help        everything else
#
# Both set themselves up: a virtual environment in .venv, made once and kept until pyproject.toml
# changes.  Another Python: make test PYTHON=python3.12.  More for pytest: make test ARGS="-k coil".

PYTHON ?= python3
VENV ?= .venv
ARGS ?=

BIN := $(VENV)/bin
# The stamps' names hold where the checkout lies and which Python was asked for, so that a checkout
# that was copied or is run with another Python gets an environment of its own making.
MARK := $(shell printf '%s' '$(CURDIR) $(PYTHON)' | cksum | cut -d ' ' -f 1)
READY := $(VENV)/.ready-$(MARK)
READY_TO_CHECK := $(VENV)/.ready-to-check-$(MARK)
SETUP := pyproject.toml Makefile tools/install_yasimavr.py $(wildcard tools/elf_shim/*)
PACKAGES := gen host_sim boards templates_c examples
TYPED := build/typecheck/sparktick

.DEFAULT_GOAL := help

help:  ## show this list
	@grep -hE '^[a-z][a-z-]*:.*## ' $(firstword $(MAKEFILE_LIST)) | \
	    sed -E 's/^([a-z-]+):.*## /  make \1\t/' | expand -t 18

demo: $(READY)  ## check, generate, build, simulate, emulate and report an invented engine
	$(BIN)/sparktick demo demo-plover --force

test: $(READY)  ## run all tests; those whose outside tools are missing are named at the end
	$(BIN)/python -m pytest $(ARGS)

check: $(READY_TO_CHECK) typed-links  ## lint, format and types
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: $(READY)  ## measure speeds and sizes; the results say on which machine
	set -e; for file in benchmarks/[a-z]*.py; do echo "== $$file"; $(BIN)/python $$file; done

vectors: $(READY)  ## many more random events, on the host and bit for bit on the emulated chip
	SPARKTICK_VECTORS=20 $(BIN)/python -m pytest tests/templates_c/test_world.py $(ARGS)

campaign: $(READY)  ## ten million turns under noise, baselines beside; minutes (ARGS=--short: less)
	$(BIN)/python benchmarks/noise.py $(ARGS)

NOISE_DOCS := noise_campaign noise_layers noise_bound noise_line noise_levels

evidence: $(READY)  ## noise campaign, layers, baselines, upsets, and their pages; about ten minutes
	$(BIN)/python benchmarks/noise.py
	$(BIN)/python benchmarks/upsets.py
	$(BIN)/python tools/make_docs.py $(NOISE_DOCS)

faults: $(READY)  ## sweep every fault over a turn in a thousand instants; takes minutes (ARGS=INSTANTS)
	$(BIN)/sparktick faults examples/plover.toml --rpm 6000 --instants $(or $(ARGS),1000)

prove: $(READY)  ## prove the core's invariants for every state; takes minutes (ARGS=--short: less)
	$(BIN)/python -m pip install --quiet --no-deps ethcheck==0.1.4
	$(BIN)/python tools/prove.py $(ARGS)

docs: $(READY)  ## write again what the documents show: tables, outputs and pictures
	$(BIN)/python tools/make_docs.py

boards: $(READY)  ## write the tables of boards in README.md from boards/
	$(BIN)/python tools/make_docs.py boards images

schema: $(READY)  ## write docs/engine.schema.json and docs/engine-description.md
	$(BIN)/sparktick schema -o docs/engine.schema.json
	$(BIN)/sparktick schema --markdown -o docs/engine-description.md

golden: $(READY)  ## write the expected firmware folders in tests/golden again; read the difference
	$(BIN)/python tools/make_golden.py

venv: $(READY)  ## only set up the virtual environment

clean:  ## remove what the targets made, the virtual environment included
	rm -rf $(VENV) build dist demo-plover sparktick.egg-info .pytest_cache .hypothesis
	rm -rf .mypy_cache .ruff_cache .coverage htmlcov
	find $(PACKAGES) tests tools benchmarks -name __pycache__ -type d -prune -exec rm -rf {} +

$(READY): $(SETUP)
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else \
	    f"Python {sys.version.split()[0]} is too old: make {sys.argv[1]} PYTHON=python3.11 or newer")' \
	    "$(firstword $(MAKECMDGOALS))"
	rm -rf $(VENV)
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --editable '.[avr,test]'
	$(BIN)/python tools/install_yasimavr.py
	touch $@

$(READY_TO_CHECK): $(READY)
	$(BIN)/python -m pip install --quiet --editable '.[avr,test,dev]'
	touch $@

# mypy reads the top-level folders under the name they are imported by.
typed-links:
	mkdir -p $(TYPED)
	for name in $(PACKAGES); do ln -sfn ../../../$$name $(TYPED)/$$name; done

.PHONY: help demo test faults check campaign evidence vectors bench docs boards schema golden venv clean typed-links
