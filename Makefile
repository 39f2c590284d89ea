# Two commands for a newcomer: `make demo` and `make test`. Each sets up all it needs, on a bare machine too.
.DELETE_ON_ERROR:
.PHONY: demo test check bench clean

PYTHON ?= $(firstword $(foreach name,python3.13 python3.12 python3.11 python3,$(shell command -v $(name))))
VENV := .venv
BIN := $(VENV)/bin

demo: $(VENV)/run.stamp
	$(BIN)/steadypoint demo

test: $(VENV)/dev.stamp
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/steadypoint lint procedures/meterlink_procedures/*.yaml
	$(BIN)/pytest -n auto

# The full figures that tests/ checks in a short form: 2,000 simulated start-ups, 100 kills.
bench: $(VENV)/dev.stamp
	$(BIN)/python -m benchmarks

$(VENV)/run.stamp: pyproject.toml | $(BIN)/python
	$(BIN)/pip install --quiet --disable-pip-version-check --editable .
	touch $@

$(VENV)/dev.stamp: pyproject.toml | $(BIN)/python
	$(BIN)/pip install --quiet --disable-pip-version-check --editable . --group dev
	touch $@

# Debian keeps venv in a package of its own; elsewhere it comes with Python.
$(BIN)/python:
	@test -n "$(PYTHON)" || { command -v apt-get >/dev/null && apt-get update -qq && apt-get install -qq -y python3; }
	@python=$${PYTHON:-$(or $(PYTHON),python3)}; \
	"$$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Steadypoint needs Python 3.11 or newer" >&2; exit 1; }; \
	"$$python" -c 'import ensurepip' 2>/dev/null || { apt-get update -qq && apt-get install -qq -y python3-venv; }; \
	"$$python" -m venv $(VENV)
	$(BIN)/pip install --quiet --disable-pip-version-check --upgrade 'pip>=25.1'

clean:
	rm -rf $(VENV) build dist
