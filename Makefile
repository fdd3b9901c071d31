# Everything here does its own set-up: a fresh machine needs Python 3.11+ and make, nothing else.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
SOURCES := combustion parsers ingest api fluebook samples

.PHONY: demo test cover check bench soak clean wheel

$(VENV)/.core: pyproject.toml constraints.txt
	$(PYTHON) -m venv $(VENV)
	$(BIN)/pip install --quiet --disable-pip-version-check -c constraints.txt -e .
	touch $@

$(VENV)/.test: pyproject.toml constraints.txt
	$(PYTHON) -m venv $(VENV)
	$(BIN)/pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[test]'
	touch $@ $(VENV)/.core

demo: $(VENV)/.core
	$(BIN)/fluebook demo

check: $(VENV)/.test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

test: check
	$(BIN)/pytest -n 2 -m "not soak"

# The same with the share of lines that ran; tracing them takes as long again in places.
cover: $(VENV)/.test
	$(BIN)/pytest -n 2 -m "not soak" --cov --cov-report=term:skip-covered

bench: $(VENV)/.test
	$(BIN)/python -m benchmarks

soak: $(VENV)/.test
	$(BIN)/pytest -m soak -ra

wheel: $(VENV)/.core
	$(BIN)/pip wheel --quiet --no-deps --wheel-dir dist .

clean:
	rm -rf $(VENV) build dist *.egg-info
