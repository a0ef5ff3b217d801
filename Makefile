# Chores by name. Needs Python 3.11 or newer with venv, and make; nothing else.
#   make bench    set up and open the bench with the demo shop
#   make bench LAN=1    the same, for paired phones in the shop's network as well
#   make test     set up and run every check and every test
# On Windows, or without make, README.md gives the plain commands.

SHELL = /bin/sh
VENV = .venv
BIN = $(VENV)/bin
PY = $(BIN)/python
PIP = $(PY) -m pip --disable-pip-version-check
LOCK = --quiet --universal --python-version 3.11 --generate-hashes --no-header --no-annotate --no-emit-index-url

# Two processes suit the smallest machine we test on: make test JOBS=8
JOBS = 2

# A stamp says which set of packages the environment holds; a second call has nothing to do.
BARE = $(VENV)/bare.stamp
RUN = $(VENV)/run.stamp
ALL = $(VENV)/all.stamp
OURS = $(VENV)/ours.stamp

.PHONY: bench setup test lint types suite wheel browser references calibration bench-speed soak docs lock screenshots clean

bench: $(RUN) $(OURS)
	$(PY) -m tubewright bench --demo$(if $(LAN), --lan)$(if $(ADDRESS), --address $(ADDRESS))

setup: $(ALL) $(OURS)

# One failure doesn't hide the next.
test: setup browser references
	@$(MAKE) --no-print-directory --keep-going lint types suite wheel

lint: setup
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: setup
	$(BIN)/mypy

# --durations shows what to make quicker; the end of the report lists what was left out and why.
suite: setup
	$(PY) -m pytest -q -n $(JOBS) --dist worksteal --durations 8

# What a user installs is the wheel, not this folder: it must hold every page and every fact.
wheel: setup
	$(PY) tools/try_wheel.py

# Installs Debian's Chromium where it may; elsewhere says how.
browser:
	@sh tools/browser.sh

# The same for the programs that timings are compared with, and OpenCV's photographs.
references:
	@sh tools/references.sh

calibration: setup
	$(PY) tools/calibration.py --docs

# pgmpy is what the diagnosis is timed against; its import warns, so the tests do without it.
bench-speed: setup
	-@$(PY) -c "import importlib.util as u, sys; sys.exit(not u.find_spec('pgmpy'))" || $(PIP) install --quiet pgmpy
	$(PY) tools/bench_speed.py
	$(PY) tools/bench_diagnosis.py
	$(PY) tools/bench_records.py
	$(PY) tools/bench_afc.py
	$(PY) tools/bench_pictures.py --large

soak: setup
	$(PY) tools/soak.py
	$(PY) tools/soak_pictures.py
	$(PY) tools/soak_repairs.py
	$(PY) tools/soak_setup.py
	$(PY) tools/soak_hold.py
	$(PY) tools/soak_grey.py
	$(PY) tools/soak_uploads.py

docs: setup
	$(BIN)/mkdocs build --strict
	@echo "Open site/index.html"

# Those that the guide shows; with a folder, python tools/screenshots.py takes them all.
screenshots: setup browser
	$(PY) tools/screenshots.py

# No registry address may enter a lock; tests/test_house.py looks.
lock: setup
	$(PIP) install --quiet uv
	$(BIN)/uv pip compile $(LOCK) pyproject.toml -o requirements.lock
	$(BIN)/uv pip compile $(LOCK) --extra test --extra postgres -c requirements.lock pyproject.toml -o requirements-test.lock

clean:
	rm -rf $(VENV) build dist site src/*.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis
	find src tests tools -name __pycache__ -type d -prune -exec rm -rf {} +

$(BARE):
	@sh tools/venv.sh $(VENV)
	@touch $@

$(RUN): $(BARE) requirements.lock
	@echo "Installing what the bench needs (once)"
	$(PIP) install --quiet --require-hashes -r requirements.lock
	@touch $@

$(ALL): $(BARE) requirements-test.lock
	@echo "Installing what the tests need (once)"
	$(PIP) install --quiet --require-hashes -r requirements-test.lock
	@touch $(RUN) $@

$(OURS): $(BARE) pyproject.toml
	$(PIP) install --quiet --no-deps -e .
	@touch $@
