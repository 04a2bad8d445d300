# make demo | test | bench | lint. Needs Python 3.11 or newer and make; everything else goes into .venv.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
LOCK := pyproject.toml constraints.txt

.PHONY: demo test bench lint lock clean

demo: $(VENV)/.ready
	$(BIN)/weighloop demo

test: $(VENV)/.ready-dev
	$(BIN)/python -m pytest

bench: $(VENV)/.ready-dev
	$(BIN)/python -m tests.benchmarks

lint: $(VENV)/.ready-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/basedpyright

$(VENV)/.ready: $(LOCK)
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Weighloop needs Python 3.11 or newer; name one with PYTHON=..."; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e .
	touch $@

$(VENV)/.ready-dev: $(VENV)/.ready
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[dev]'
	touch $@

# Pins every version anew (needs uv); no download address goes into the file.
lock:
	uv pip compile --quiet --universal --python-version 3.11 --extra dev --no-header --no-annotate \
	  --no-emit-index-url --no-emit-find-links pyproject.toml -o constraints.txt

clean:
	rm -rf $(VENV) build *.egg-info demo-output bench-output
