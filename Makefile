# Two commands for a newcomer: `make demo` and `make test`. Each sets up all it needs, on a bare machine too.
.DELETE_ON_ERROR:
.PHONY: demo test bench clean alsa chromium dbus mosquitto ngspice postgresql

# Modules compiled once are kept, whatever the environment says: the tests start some thousand commands.
unexport PYTHONDONTWRITEBYTECODE

VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --quiet --disable-pip-version-check
APT := DEBIAN_FRONTEND=noninteractive apt-get

demo: $(VENV)/run.stamp
	$(BIN)/steadypoint demo

test: $(VENV)/dev.stamp alsa chromium dbus mosquitto ngspice postgresql
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-logo
	$(BIN)/steadypoint lint procedures/meterlink_procedures/*.yaml procedures/meterlink_procedures/sheets/*.yaml procedures/meterlink_procedures/templates/*.yaml procedures/meterlink_procedures/circuits/*.yaml drivers/meterlink_drivers/described/*.yaml
	$(BIN)/pytest -n auto

# The full figures, of which `make test` runs a short form: 2,000 simulated start-ups, 100 kills, the cost of --help,
# Bluetooth links cut 200 times, the speed of the decoders, every simulated meter identified, verdicts given early, false
# ones near limits; the circuit solver beside ngspice, 20,000 faults searched for, how soon a verdict is heard; a sealed
# job damaged 5,000 times, 500 jobs replayed, what verifying a long job costs, a job of 1,000,000 readings on the auditor's
# page, 200 lifts over 24 months; 30 crews that report through a storm, how fast the office takes in and its page shows;
# the whole library on the simulated lift, with every fault that it should catch.
bench: $(VENV)/dev.stamp chromium dbus mosquitto ngspice
	$(BIN)/python tests/startups.py
	$(BIN)/python tests/kills.py
	$(BIN)/python tests/help_cost.py
	$(BIN)/python tests/ble_soak.py
	$(BIN)/python tests/decode_speed.py
	$(BIN)/python tests/damage.py
	$(BIN)/python tests/identify_peers.py
	$(BIN)/python tests/early_verdicts.py
	$(BIN)/python tests/false_verdicts.py
	$(BIN)/python tests/spice_figures.py
	$(BIN)/python tests/fault_figures.py
	$(BIN)/python tests/cue_latency.py
	$(BIN)/python tests/record_damage.py
	$(BIN)/python tests/replays.py
	$(BIN)/python tests/long_figures.py
	$(BIN)/python tests/audit_figures.py
	$(BIN)/python tests/ageing.py
	$(BIN)/python tests/office_storm.py
	$(BIN)/python tests/ingest_figures.py
	$(BIN)/python tests/office_page_figures.py
	$(BIN)/steadypoint dry-run

# The Bluetooth tests start a D-Bus of their own; where it is missing and cannot be installed, they say so and are skipped.
dbus:
	@if ! command -v dbus-daemon >/dev/null && command -v apt-get >/dev/null && test "$$(id -u)" = 0; then \
	    $(APT) update -qq && $(APT) install -qq -y dbus; \
	fi

# The office is tested over a real broker, each started by the test itself; where it is missing and cannot be installed,
# those tests are skipped.
mosquitto:
	@if ! PATH="$$PATH:/usr/sbin" command -v mosquitto >/dev/null && command -v apt-get >/dev/null && test "$$(id -u)" = 0; then \
	    $(APT) update -qq && $(APT) install -qq -y --no-install-recommends mosquitto; \
	fi

# The same on PostgreSQL: the tests start a server of their own.
postgresql:
	@if ! ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 && command -v apt-get >/dev/null && test "$$(id -u)" = 0; then \
	    $(APT) update -qq && $(APT) install -qq -y --no-install-recommends postgresql; \
	fi

# The circuit solver is held against ngspice; where it is missing and cannot be installed, those tests are skipped.
ngspice:
	@if ! command -v ngspice >/dev/null && command -v apt-get >/dev/null && test "$$(id -u)" = 0; then \
	    $(APT) update -qq && $(APT) install -qq -y ngspice; \
	fi

# The pages are tested in a real browser; where it is missing and cannot be installed, those tests are skipped.
chromium:
	@if ! command -v chromium >/dev/null && command -v apt-get >/dev/null && test "$$(id -u)" = 0; then \
	    $(APT) update -qq && $(APT) install -qq -y --no-install-recommends chromium; \
	fi

# Linux' sound library, for the tests that let a check be heard through a loudspeaker that is a file.
alsa:
	@if ! ldconfig -p 2>/dev/null | grep -q libasound.so.2 && command -v apt-get >/dev/null && test "$$(id -u)" = 0; then \
	    $(APT) update -qq && { $(APT) install -qq -y libasound2 || $(APT) install -qq -y libasound2t64; }; \
	fi

clean:
	rm -rf $(VENV) build dist

$(VENV)/run.stamp: pyproject.toml | $(VENV)/made.stamp
	$(PIP) install --editable .
	@touch $@

$(VENV)/dev.stamp: pyproject.toml | $(VENV)/made.stamp
	$(PIP) install --editable . --group dev
	@touch $@

# The first name that runs and is new enough: a version manager may offer names that do not run.
FIND_PYTHON = for name in $(or $(PYTHON),python3 python3.14 python3.13 python3.12 python3.11); do \
	"$$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && break; name=; done

# Debian keeps venv in a package of its own, beside Python; elsewhere it comes with Python.
$(VENV)/made.stamp:
	@$(FIND_PYTHON); \
	if ! "$${name:-false}" -c 'import ensurepip' 2>/dev/null && command -v apt-get >/dev/null; then \
	    test "$$(id -u)" = 0 || { echo "Please run: sudo apt-get install python3-venv" >&2; exit 1; }; \
	    $(APT) update -qq && $(APT) install -qq -y "$${name:-python3}" "$${name:-python3}-venv" && $(FIND_PYTHON); \
	fi; \
	test -n "$$name" || { echo "Steadypoint needs Python 3.11 or newer; try make PYTHON=/path/to/python3" >&2; exit 1; }; \
	"$$name" -m venv --clear $(VENV)
	$(PIP) install --upgrade 'pip>=25.1'
	@touch $@
