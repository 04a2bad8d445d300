# make demo | check | test | bench | lab | lint. Needs Python 3.11 or newer and make; everything else goes into .venv.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
LOCK := pyproject.toml constraints.txt
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt
# A folder is newer than the tree of links where a file was added to it or taken away.
FOLDERS := $(shell find analysis daemon drivers tui -type d -not -name __pycache__)

.PHONY: docs release-check versions demo check test bench lab lint lock clean

demo: $(VENV)/.linked
	$(BIN)/weighloop demo

# After each edit: lint of what changed, and every test that starts no process; of costly ones a quarter, another each
# time.
CHANGED = $$({ git diff --name-only --diff-filter=d HEAD; git ls-files --others --exclude-standard; } 2>/dev/null | grep '\.py$$' | sort -u)
check: $(VENV)/.ready-dev $(VENV)/.linked
	@files="$(CHANGED)"; if [ -n "$$files" ]; then $(BIN)/ruff check $$files && $(BIN)/ruff format --check $$files; fi
	WEIGHLOOP_QUICK=1 $(BIN)/python -m pytest -n 3 -m 'not slow' --ignore=tests/system

# The whole waits for ports and processes half of its time: more workers than two cores need.
test: $(VENV)/.ready-dev $(VENV)/.linked
	$(BIN)/python -m pytest -n 4

bench: $(VENV)/.ready-dev $(VENV)/.linked
	$(BIN)/python -m tests.benchmarks

# Several benches on one machine: broker, database, three daemons on twins, forwarders, archive; see
# daemon/lab/README.md. Needs the packages mosquitto and postgresql.
lab: $(VENV)/.ready-dev
	$(BIN)/python -m weighloop.daemon.lab.trial

lint: $(VENV)/.ready-dev $(VENV)/.linked
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/basedpyright

$(VENV)/.ready: $(LOCK)
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Weighloop needs Python 3.11 or newer; name one with PYTHON=..."; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(PIP) -e '.[report,desk]'
	touch $@ $(VENV)/.linked

$(VENV)/.linked: $(VENV)/.ready $(FOLDERS)
	$(PIP) --no-deps -e .
	touch $@

$(VENV)/.ready-dev: $(VENV)/.ready
	$(PIP) -e '.[dev]'
	touch $@ $(VENV)/.linked

# The documentation site, into build/site; a broken link or a failing cell is an error.
docs: $(VENV)/.ready-docs $(VENV)/.linked
	$(BIN)/python .docs/build.py

$(VENV)/.ready-docs: $(VENV)/.ready-dev
	$(PIP) -e '.[docs]'
	touch $@

# Everything a release needs, from the archives as they would be published; see .github/RELEASING.md.
release-check: $(VENV)/.ready-docs
	$(BIN)/python .ci/release_check.py
	$(MAKE) docs

# The quick tests on 3.11 to 3.13, as far as uv gets them here.
versions: $(VENV)/.ready-dev
	$(BIN)/python .ci/versions.py

# Recorded data for the settling filter's tests (two packages that bring much else along).
$(VENV)/.ready-recordings: $(VENV)/.ready-dev
	$(PIP) -e '.[recordings]'
	touch $@

# Pins every version again (needs uv); no download address goes into the file.
lock:
	uv pip compile --quiet --universal --python-version 3.11 --extra dev --extra docs --extra recordings --no-header --no-annotate \
	  --no-emit-index-url --no-emit-find-links pyproject.toml -o constraints.txt

clean:
	rm -rf $(VENV) build *.egg-info demo-output bench-output
