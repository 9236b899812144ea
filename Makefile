# make demo    set up, run the main job on a simulated session, say what came out
# make test    set up, pass all tests
# make check   lint, types, rooms
# make prove   the full counts behind docs/results.md
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
ONE_THREAD := OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1

.PHONY: setup demo test quick check prove lock clean

setup: $(VENV)/ready

$(VENV)/ready: requirements.lock pyproject.toml
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "planewright needs Python 3.11 or newer; say make PYTHON=python3.11")'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation -e .
	touch $@

demo: setup
	$(BIN)/planewright demo demo

test: setup
	$(ONE_THREAD) $(BIN)/python -m pytest -m "not prove" -n 2 --dist worksteal

quick: setup
	$(ONE_THREAD) $(BIN)/python -m pytest -m "not prove and not slow"

check: setup
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/numpydoc lint $$(git ls-files 'src/planewright/*.py')

prove: setup
	$(ONE_THREAD) $(BIN)/python -m pytest -m prove

lock: setup
	$(BIN)/python -m pip install --quiet uv
	$(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header --no-annotate --extra dev pyproject.toml -o requirements.lock

clean:
	rm -rf $(VENV) .cache demo
