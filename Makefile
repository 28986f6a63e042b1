# Each target sets up .venv by itself from requirements.lock. Needs python3 (3.11 or newer), make and git.
#   make PYTHON=/path/to/python3 …   to choose the interpreter
#   make test ARGS='-k projection'   to pass arguments on

ifeq ($(OS),Windows_NT)
BIN := .venv/Scripts
else
BIN := .venv/bin
endif
READY := .venv/.ready

export PYTHON

.PHONY: help demo test check format bench bench-giga lock clean

help:
	@echo "make demo    render the demo frames and stitch them into out/demo"
	@echo "make test    run the tests"
	@echo "make check   formatting, lint, types, import rules"
	@echo "make format  bring the formatting into order"
	@echo "make bench   measure accuracy, time and memory"
	@echo "make bench-giga"
	@echo "             measure five rows of fourteen frames in one block"
	@echo "make lock    renew requirements.lock from pyproject.toml"

$(READY): requirements.lock requirements-build.lock pyproject.toml tools/set_up.sh tools/viewer_hook.py \
    tools/viewer/package-lock.json
	@sh tools/set_up.sh
	@touch $@

demo: $(READY)
	@$(BIN)/belvedere demo out/demo $(ARGS)

test: $(READY)
	@$(BIN)/python -m pytest $(ARGS)

check: $(READY)
	@$(BIN)/ruff format --check --output-format concise --quiet . || { echo "run 'make format'"; exit 1; }
	@$(BIN)/ruff check --quiet .
	@$(BIN)/mypy
	@$(BIN)/lint-imports --no-logo

format: $(READY)
	@$(BIN)/ruff format .
	@$(BIN)/ruff check --fix .

bench: $(READY)
	@$(BIN)/python -m benchmarks.bench $(ARGS)

# 70 frames of 45 megapixels, about 30 GB of disk; ARGS='--megapixels 6' for a small one.
bench-giga: $(READY)
	@$(BIN)/python -m benchmarks.giga $(ARGS)

# Versions stay as locked unless pyproject.toml asks otherwise; ARGS=--upgrade takes the newest.
LOCK := $(BIN)/uv pip compile --universal --python-version 3.11 --fork-strategy fewest --quiet \
    --generate-hashes --no-emit-index-url --no-emit-find-links --no-annotate --no-header

lock: $(READY)
	@$(LOCK) pyproject.toml --group dev --group lock --output-file requirements.lock $(ARGS)
	@$(LOCK) --group build --constraint requirements.lock --output-file requirements-build.lock $(ARGS)

clean:
	rm -rf .venv .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis
