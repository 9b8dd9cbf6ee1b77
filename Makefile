# Two commands for a fresh machine: `make demo` and `make test`. Each sets up all it needs: a virtual environment
# in .venv with the locked, hash-checked dependencies.
PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
PIP    := $(BIN)/python -m pip --disable-pip-version-check
ARGS   ?=

.PHONY: demo test check lint types imports unit bench fuzz endure evaluate lock clean fleet
.DEFAULT_GOAL := help

.PHONY: help
help:
	@echo 'make demo              replay a recorded fleet through a broker inside the program, show who needs the shop'
	@echo 'make demo ARGS=--once  the same, and stop after the table'
	@echo 'make test              every check: style, types, import direction, unit, broker and browser tests'
	@echo 'make bench             rates and memory, as ratios within one run'
	@echo 'make fuzz              100,000 mutated payloads through decoding and landing; a quarter of an hour'
	@echo 'make endure            a million samples through a broker, subscriber and broker killed sixty times; minutes'
	@echo 'make evaluate          alerts of simulated fleets of two simulators scored against what was put in; an hour'
	@echo 'make lock              renew the locked dependencies from pyproject.toml'

$(VENV)/run.stamp: requirements.lock pyproject.toml
	$(PYTHON) -c 'import sys; sys.exit("airwatch needs Python 3.11 or newer, this is " + sys.version.split()[0] + "; set PYTHON=python3.11 (or newer)" if sys.version_info < (3, 11) else 0)'
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV) || { echo 'python3 has no venv module: apt-get install python3-venv' >&2; exit 1; }
	$(PIP) install --quiet --require-hashes -r requirements.lock
	$(PIP) install --quiet --no-deps --no-build-isolation --editable .
	touch $@

$(VENV)/dev.stamp: requirements-dev.lock $(VENV)/run.stamp
	$(PIP) install --quiet --require-hashes -r requirements-dev.lock
	touch $@

demo: $(VENV)/run.stamp
	$(BIN)/airwatch demo $(ARGS)

test: lint types imports unit

lint: $(VENV)/dev.stamp
	$(BIN)/ruff check
	$(BIN)/ruff format --check

types: $(VENV)/dev.stamp
	$(BIN)/mypy

imports: $(VENV)/dev.stamp
	$(BIN)/lint-imports

unit: $(VENV)/dev.stamp
	$(BIN)/pytest $(ARGS)

bench: $(VENV)/dev.stamp
	$(BIN)/python tests/benchmarks/decode_rate.py
	$(BIN)/python tests/benchmarks/land_rate.py
	$(BIN)/python tests/benchmarks/landing_rate.py --messages 150000
	$(BIN)/python tests/benchmarks/measure_rate.py
	$(BIN)/python tests/benchmarks/page_latency.py
	$(BIN)/python tests/benchmarks/alert_rate.py
	$(BIN)/python tests/benchmarks/plan_risk.py

# SEEDS are drawn by whoever runs it: seeds that were looked at while thresholds were set say little.
SEEDS ?= 9101 9102
evaluate: $(VENV)/dev.stamp
	@for seed in $(SEEDS); do \
		out=$$(mktemp -d) && \
		$(BIN)/python -m tests.evaluation.own_fleet $$seed 60 28 $$out/own && \
		$(BIN)/python -m tests.second_fleet --seed $$seed --units 60 --days 28 --healthy 0.5 -o $$out/second && \
		for which in own second; do \
			echo "seed $$seed, $$which simulator:" && \
			$(BIN)/airwatch evaluate $$out/$$which/fleet.ndjson.zst --units $$out/$$which/units.csv --labels $$out/$$which/labels.csv || exit 1; \
		done && rm -r $$out || exit 1; \
	done

# atheris is not locked: it has no wheels for every machine. Without it all payloads come from Hypothesis.
$(VENV)/fuzz.stamp: $(VENV)/dev.stamp
	$(PIP) install --quiet --no-build-isolation --editable '.[fuzz]'
	touch $@

fuzz: $(VENV)/fuzz.stamp
	$(BIN)/python -m tests.fuzz $(ARGS)

endure: $(VENV)/dev.stamp
	$(BIN)/python -m tests.endurance.kills $(ARGS)

lock:
	$(PYTHON) -m pip install --quiet uv
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-header --no-annotate -q --extra build pyproject.toml -o requirements.lock
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-header --no-annotate -q --extra build --extra dev -c requirements.lock pyproject.toml -o requirements-dev.lock

clean:
	rm -rf $(VENV) build out
