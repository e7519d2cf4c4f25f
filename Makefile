# Everything a user or contributor needs; each target installs what it lacks. Needs Python 3.11+ and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
# tests and their browser run as two processes side by side
PYTEST := $(BIN)/pytest

.PHONY: help demo serve test check fuzz bench faults soak system-packages help-pages courses-page screenshots clean

help:
	@echo "make demo    run the demonstration: a fictional fleet, judged while you watch"
	@echo "make serve   run the server on the settings in the environment"
	@echo "make test    install what the tests need and run all of them, lint and types included"
	@echo "make check   lint, types, ranks, dependencies and dead code only"
	@echo "make fuzz    more than 5,000 made-up requests to every endpoint and page; prints what was sent"
	@echo "make bench   the benchmarks, each beside its baseline"
	@echo "make faults  a hundred kills of server, worker and PostgreSQL, full disks, cut connections: what was lost"
	@echo "make help-pages  write what the help takes from the code: settings, commands, alerts"
	@echo "make courses-page  write docs/courses.md: units followed sample by sample"
	@echo "make screenshots  take the pictures of README from the demo"
	@echo "make soak    the server under an hour's steady load"

$(VENV)/ready-run: pyproject.toml constraints.txt
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Ullage needs Python 3.11 or newer: make PYTHON=python3.x ...")'
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable .
	@touch $@

$(VENV)/ready-dev: $(VENV)/ready-run
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable '.[dev]'
	@touch $@

demo: $(VENV)/ready-run
	@$(BIN)/ullage demo

serve: $(VENV)/ready-run
	@$(BIN)/ullage serve

# PostgreSQL and Chromium come from Debian where that is possible; otherwise the tests that need them say so.
system-packages:
	@sh tests/install_system_packages.sh

check: $(VENV)/ready-dev
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/deptry .
	$(BIN)/python -m tests.dead_code

test: $(VENV)/ready-dev system-packages check
	$(PYTEST) --numprocesses 2 --dist loadgroup tests

# "make test" runs it too: it takes some minutes
fuzz: $(VENV)/ready-dev
	$(PYTEST) --quiet tests/web/api/test_api_fuzz.py tests/web/pages/test_pages_fuzz.py

bench: $(VENV)/ready-dev
	$(BIN)/python -m tests.benchmarks

faults: $(VENV)/ready-dev
	$(BIN)/python -m tests.benchmarks faults

soak: $(VENV)/ready-dev
	$(BIN)/python -m tests.benchmarks soak

# what the help takes from the code; a test compares it with what is committed
help-pages: $(VENV)/ready-dev
	$(BIN)/python -m tests.help.help_reference

# docs/courses.md: all courses played through the services, some ten minutes
courses-page: $(VENV)/ready-dev
	$(BIN)/python -m tests.courses --quiet --out docs/courses.md

# docs/fleet.png and docs/unit.png
screenshots: $(VENV)/ready-dev system-packages
	$(BIN)/python -m tests.browser.screenshots

clean:
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis var
