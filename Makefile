# Everything a newcomer needs: `make demo`, `make test`. Both create the environment themselves.
#
#   make env TORCH_INDEX_URL=<URL>   takes torch from another index, for instance a CPU-only build (see README.md)
#   make demo DEMO_OPTIONS="--ground PHOTOS --ground-gsd 1.7cm"

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.complete
TORCH_INDEX_URL ?=
DEMO_OUT ?= demo-out
DEMO_OPTIONS ?=
SOURCES := mission synth eval pipeline configs benchmarks tests .ci

.PHONY: env demo test check format test-wheel clean

env: $(STAMP)

$(STAMP): pyproject.toml
	@$(PYTHON) -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "The python must be 3.11 or newer with venv (apt install python3-venv). Got $$($(PYTHON) --version 2>&1) instead."; exit 2; }
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --upgrade pip
	test -z "$(TORCH_INDEX_URL)" || $(BIN)/python -m pip install --index-url "$(TORCH_INDEX_URL)" "torch>=2.9,<2.15" "torchvision>=0.24,<0.30"
	$(BIN)/python -m pip install --editable ".[dev]"
	@touch $@

demo: env
	$(BIN)/panelscout demo --out $(DEMO_OUT) $(DEMO_OPTIONS)

test: env
	$(BIN)/python -m pytest -n auto --dist loadfile

check: env
	$(BIN)/ruff check $(SOURCES)
	$(BIN)/ruff format --check $(SOURCES)
	$(BIN)/pyright
	$(BIN)/lint-imports

format: env
	$(BIN)/ruff check --fix $(SOURCES)
	$(BIN)/ruff format $(SOURCES)

# The built wheel, unpacked apart from the checkout, must carry all it needs.
test-wheel: env
	rm -rf build/wheel build/site
	$(BIN)/python -m pip wheel --quiet --no-deps --wheel-dir build/wheel .
	$(BIN)/python -m pip install --quiet --no-deps --target build/site build/wheel/panelscout-*.whl
	cd build && PYTHONPATH=site PANELSCOUT_WHEEL_SITE=site ../$(BIN)/python -m pytest -p no:cacheprovider ../tests/test_installed.py

clean:
	rm -rf $(VENV) build dist $(DEMO_OUT)
