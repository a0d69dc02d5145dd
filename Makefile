# Every common job, each one command. `make help` tells what there is.
#
#   make test VENV=/tmp/v       put the virtual environment elsewhere
#   make demo SPEED=20          watch the demonstration more slowly
#   make test PYTHON=python3.12 use another interpreter (3.11 or newer)
#   make test TESTS=tests/unit  run a part of the tests

PYTHON ?= python3
VENV ?= .venv
SPEED ?= 60
TESTS ?= tests
WORKERS ?= 2

BIN := $(VENV)/bin
# Empty files that tell what is installed; older than pyproject.toml means install again.
USE := $(VENV)/.installed
DEV := $(VENV)/.installed-dev
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check

.DEFAULT_GOAL := help
.DELETE_ON_ERROR:
.PHONY: help demo test check format bench campaign clean

help: ## tell what there is
	@echo "make TARGET, where TARGET is one of"
	@sed -n 's/^\([a-z]*\):.*## \(.*\)/  \1\t\2/p' $(firstword $(MAKEFILE_LIST)) | expand -t 12

demo: $(USE) ## predict, run and replay a cycle on the simulated rig, SPEED times faster than life
	@mkdir -p out
	@echo "1 of 3: what the simulated rig predicts"
	@$(BIN)/imprint dry-run pmma-grating
	@echo
	@echo "2 of 3: the cycle of some 20 minutes, $(SPEED) times faster than life; Ctrl-C ends it safely"
	@$(BIN)/imprint run pmma-grating --sample demo-1 --speed $(SPEED) --yes \
		--records out/demo-records.db
	@echo
	@echo "3 of 3: its record, fed through the same core once more"
	@$(BIN)/imprint replay last --records out/demo-records.db

test: $(DEV) ## run every test
	$(BIN)/python -m pytest -n $(WORKERS) $(TESTS)

check: $(DEV) ## look at style, types and import contracts
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy --strict
	$(BIN)/lint-imports --no-cache --config tests/architecture/contracts.ini

format: $(DEV) ## lay the code out
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

bench: $(DEV) ## measure: dry-run, scan, record, start-up, plant, memory
	$(BIN)/python -m benchmarks

campaign: $(DEV) ## strike every fault in every step and judge the plant's truth (CAMPAIGN="--share 0.1")
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[fast]'
	$(BIN)/python -m benchmarks.campaign --workers $(WORKERS) $(CAMPAIGN)

clean: ## remove what was made here: environment, caches, builds (records in out/ stay)
	rm -rf .venv build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
	rm -rf .import_linter_cache .coverage
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

$(USE): pyproject.toml
	$(fit-python)
	@$(PYTHON) -m venv $(VENV)
	@echo "installing into $(VENV)"
	@$(PIP) -e .
	@touch $@

$(DEV): pyproject.toml
	$(fit-python)
	@$(PYTHON) -m venv $(VENV)
	@echo "installing into $(VENV), with everything for tests"
	@$(PIP) -e '.[dev]'
	@touch $@ $(USE)

# Expanded before anything is run, so that an unfit interpreter costs one line and nothing else.
define fit-python
$(if $(shell command -v $(PYTHON)),,\
  $(error no $(PYTHON) here: install Python 3.11 or newer, or name one: make PYTHON=python3.12))\
$(if $(shell $(PYTHON) -c 'import sys; print(sys.version_info >= (3, 11) or "")'),,\
  $(error $(PYTHON) is older than 3.11: name a newer one: make PYTHON=python3.12))\
$(if $(shell $(PYTHON) -c 'import ensurepip, venv; print(1)' 2>/dev/null),,\
  $(error $(PYTHON) has no venv: install it (on Debian and Ubuntu: apt install python3-venv)))
endef
