# `make run` and `make test` are all the set-up there is; see README.md.
DEMO ?= demo-site
SECONDS_TO_RUN ?=
PYTHON ?= python3
SITES ?= 1000
SEED ?= 5000
SECONDS ?= 180
BIN := .venv/bin

.PHONY: help run test servers check board bench soak fuzz study dashboards wheel clean
.DEFAULT_GOAL := help

help:
	@echo "make run     the whole tool on an invented site, kept in $(DEMO)/"
	@echo "make test    everything that is tested"
	@echo "make servers the time-series servers that tests run against, built once; \`make test\` does it too, where go and cargo are"
	@echo "make check   format, lint and types"
	@echo "make bench   speed and size, each beside a bare baseline"
	@echo "make soak    lives of a site under random faults, against the truth; SECONDS=600 for longer; then a month without"
	@echo "             a server, and 1,000 boards on one (BOARDS=100 for fewer), where 'make servers' has built it"
	@echo "make fuzz    bytes that nobody meant, guided by what they reach: frames, settings, import, log, sealed blocks; SECONDS=60 each"
	@echo "make board   the logger on a virtual board: power cuts, watchdog, kernel edges; needs root and some minutes"
	@echo "make study   a thousand invented sites: how often intervals hold the truth; an hour"
	@echo "make dashboards   writes dashboards/influx/rainstead.json anew from its description"
	@echo "make wheel   the package, in dist/"
	@echo "make clean   remove what these built; the invented site stays"

run:
	@sh .ci/venv.sh run "$(PYTHON)"
	@$(BIN)/rainstead-twin demo "$(DEMO)" $(if $(SECONDS_TO_RUN),--seconds $(SECONDS_TO_RUN))

check:
	@sh .ci/venv.sh dev "$(PYTHON)"
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy

# Both, whatever becomes of the first; where they are, there is nothing to say.
BUILD_SERVERS = lacking=; for line in 2 1; do sh tests/servers/build-influxd.sh $$line >/dev/null || lacking=yes; done

servers:
	@$(BUILD_SERVERS); [ -z "$$lacking" ]

# Where a server cannot be built, tests that need it are skipped and say why; with RAINSTEAD_TEST_SERVER_NEEDED they fail.
test: check
	@$(BUILD_SERVERS)
	$(BIN)/pytest -n 2 --dist loadgroup

bench:
	@sh .ci/venv.sh dev "$(PYTHON)"
	@set -e; for script in tests/bench/bench_*.py; do $(BIN)/python "$$script"; done

soak:
	@sh .ci/venv.sh dev "$(PYTHON)"
	$(BIN)/python tests/soak/run.py --seconds $(SECONDS)
	$(BIN)/python tests/soak/outage.py
	$(BIN)/python tests/soak/fleet.py $(if $(BOARDS),--boards $(BOARDS))

board:
	@sh .ci/venv.sh dev "$(PYTHON)"
	$(BIN)/pytest -q -s -x --timeout 3600 tests/board/check_board.py

fuzz:
	@sh .ci/venv.sh dev "$(PYTHON)"
	$(BIN)/python tests/fuzz/fuzz_all.py --seconds $(if $(filter file,$(origin SECONDS)),60,$(SECONDS))

study:
	@sh .ci/venv.sh dev "$(PYTHON)"
	nice $(BIN)/python tests/study/run.py --sites $(SITES) --first $(SEED) --out tests/study/results
	nice $(BIN)/python tests/study/detection.py --first 101 --years 12 --out tests/study/results

dashboards:
	@sh .ci/venv.sh dev "$(PYTHON)"
	$(BIN)/rainstead dashboards > dashboards/influx/rainstead.json

wheel:
	@sh .ci/venv.sh dev "$(PYTHON)"
	$(BIN)/python -m hatchling build

clean:
	rm -rf .venv dist build .mypy_cache .ruff_cache .pytest_cache .hypothesis
