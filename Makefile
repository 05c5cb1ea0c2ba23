# make demo    set up and rank the shipped example
# make test    set up with the tools of development and run everything that CI runs
# make fast    the same without the tests marked slow: a minute and a half once it is set up
# make bench   the benchmarks, each printing its table
# make evidence   evidence held against a sampler that simulates every point: its table
# make hostile   ten thousand harmed files, kills, full disks, the fuzzer: its table; goes on where it was left
# make check   ./check alone, in an environment that stands already
# The environment is .venv; a stamp in it makes a second call quick.

PYTHON ?= python3
export PYTHON
# a command is timed as somebody has it who ran it before: with its modules compiled
unexport PYTHONDONTWRITEBYTECODE
VENV   := .venv
BIN    := $(VENV)/bin
READY  := $(VENV)/ready
DEV    := $(VENV)/ready-dev
NODE   := tests/page/node_modules
PAGE   := $(NODE)/.package-lock.json

.PHONY: scores evidence hostile demo test fast bench check venv clean

demo: $(READY)
	$(BIN)/diagnose rank examples/hall-record-hum.yaml

test: venv
	./check

fast: venv
	./check --fast

bench: $(DEV)
	@set -e; for name in engine_overhead batch_speed driven_speed rank_speed engine_goals store_speed measure_speed page_speed; do \
	  echo "== $$name"; $(BIN)/python tests/benchmarks/$$name.py; done

# how right the answers are, stage by stage; takes the better part of an hour
scores: $(DEV)
	$(BIN)/python tests/benchmarks/score_table.py
	$(BIN)/python tests/benchmarks/next_sessions.py

# twelve units of four stages; takes half an hour
evidence: $(DEV)
	$(BIN)/python tests/benchmarks/evidence_against_sampling.py

# an hour on two idle cores; ended in the middle it goes on there (.hostile/ keeps what is done)
hostile: $(DEV)
	$(BIN)/python -m tests.hostile.campaign --write
	$(BIN)/python -m tests.hostile.kills --write
	if $(BIN)/python -c 'import atheris' 2>/dev/null; then $(BIN)/python -m tests.hostile.fuzz --write; fi

check:
	./check

venv: $(DEV) $(PAGE)

clean:
	rm -rf $(VENV) $(NODE) build *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis

$(VENV)/bin/python:
	.ci/need python3-venv
	$(PYTHON) -m venv $(VENV)

$(READY): pyproject.toml | $(VENV)/bin/python
	.ci/need libngspice0
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e .
	touch $@

$(DEV): pyproject.toml | $(VENV)/bin/python
	.ci/need libngspice0 ngspice gnucap chromium firefox-esr openssl libatomic1 libportaudio2 pulseaudio
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev]'
	touch $@ $(READY)

# the linter of the page's scripts, of the versions in the lock file; npm touches only the folder below
$(PAGE): tests/page/package-lock.json
	.ci/need nodejs npm
	npm ci --prefix tests/page --no-audit --no-fund --loglevel=error
	touch $@
