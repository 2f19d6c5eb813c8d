# Everything sets itself up: a fresh clone needs python3 (3.11 or newer) and make, nothing else.
.DEFAULT_GOAL := help
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
# One thread per process: plans are reproducible and tests can run side by side.
export OMP_NUM_THREADS := 1
export OPENBLAS_NUM_THREADS := 1

.PHONY: help demo test check lint types bench fuzz kills lock clean

help:  ## list what can be made
	@grep -hE '^[a-z]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 12

$(READY): pyproject.toml .ci/requirements.lock
	@echo "setting up $(VENV) (once; about a minute)"
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "fallgrade needs Python 3.11 or newer; name one: make PYTHON=python3.12 ..."; exit 1; }
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint .ci/requirements.lock --editable '.[dev]'
	@touch $@

demo: $(READY)  ## plan the demo woodlot into out/demo and say where its sheets are
	@$(BIN)/fallgrade demo --into out/demo --force

test: $(READY)  ## run all tests
	@$(BIN)/python -m pytest -q -n auto --dist loadgroup

lint: $(READY)
	@$(BIN)/ruff check .

types: $(READY)
	@$(BIN)/mypy

check: lint types test  ## lint, types and tests

bench: $(READY)  ## measure against yardsticks side by side; writes out/bench.json
	@$(BIN)/python tests/bench/run.py

fuzz: $(READY)  ## a million damaged inputs for every reader; guided by coverage where atheris is installed
	@$(BIN)/python tests/bench/fuzz_readers.py 1000000
	@if $(BIN)/python -c 'import atheris' 2>/dev/null; then $(BIN)/python tests/bench/fuzz_readers.py --guided -runs=200000; fi

kills: $(READY)  ## kill 200 plans and 200 repairs at random moments and look what is left
	@$(BIN)/python tests/bench/kill_plans.py both 200

lock: $(READY)
	@$(BIN)/python -m pip freeze --exclude-editable > .ci/requirements.lock

clean:  ## remove the environment and everything made
	rm -rf $(VENV) out dist build .pytest_cache .mypy_cache .ruff_cache
