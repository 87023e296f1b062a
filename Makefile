# `make demo` and `make test` do all their own set-up; only Python 3.11+, git and make are needed.
PYTHON ?= python3
BIN := .venv/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check -q

.PHONY: demo test check docs format lock schema audit oldest clean

demo: .venv/.run-ready
	$(BIN)/afterrains sample sample_scenes --if-missing
	$(BIN)/afterrains run sample_scenes/programme.yaml

test: .venv/.dev-ready
	$(BIN)/python -m pytest -n auto --dist loadfile

check: .venv/.dev-ready
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy

# The guides as linked pages; a link that leads nowhere is an error. Needs no network.
docs: .venv/.dev-ready
	$(BIN)/sphinx-build -q -n -W --keep-going -c docs -d docs/_build/.doctrees . docs/_build
	@echo docs/_build/docs/index.html

format: .venv/.dev-ready
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

# The published descriptions, written from the same definitions the code runs on.
schema: .venv/.run-ready
	$(BIN)/python -m afterrains.programme > configs/programme.schema.json
	$(BIN)/python -m afterrains.delivery.dictionary docs/data-dictionary.md

# Newest versions that pyproject.toml allows, with hashes, for every platform; no index address.
lock: .venv/.dev-ready
	$(BIN)/uv pip compile -q --upgrade --universal --python-version 3.11 --no-emit-index-url \
	  --generate-hashes --custom-compile-command "make lock" pyproject.toml \
	  --group build -o requirements.lock
	$(BIN)/uv pip compile -q --universal --python-version 3.11 --no-emit-index-url \
	  --generate-hashes --custom-compile-command "make lock" pyproject.toml \
	  --group build --group dev -c requirements.lock -o requirements-dev.lock
	$(PIP) install --require-hashes -r requirements.lock
	$(BIN)/python .ci/licences.py docs/licences.md

# Known weaknesses of the locked libraries. Asks the index's own database, which a mirror may lack.
audit: .venv/.run-ready
	PYTHON=$(PYTHON) .ci/audit

# The tests on the oldest libraries that pyproject.toml allows, test tools as new as they go with.
oldest: .venv/.dev-ready
	$(PYTHON) -m venv .venv/oldest
	$(BIN)/uv pip compile -q --resolution lowest-direct --python-version 3.11 --no-emit-index-url \
	  pyproject.toml -o .venv/oldest/run.txt
	$(BIN)/uv pip compile -q --python-version 3.11 --no-emit-index-url -c .venv/oldest/run.txt \
	  pyproject.toml --group test --group docs --group build -o .venv/oldest/all.txt
	.venv/oldest/bin/python -m pip install -q -r .venv/oldest/all.txt
	.venv/oldest/bin/python -m pip install -q --no-deps --no-build-isolation -e .
	.venv/oldest/bin/python -m pytest -n auto --dist loadfile

clean:
	rm -rf .venv docs/_build sample_scenes/scenes sample_scenes/out tests/.samples

.venv/bin/python:
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed")'
	$(PYTHON) -m venv .venv

.venv/.run-ready: requirements.lock pyproject.toml | .venv/bin/python
	$(PIP) install --require-hashes -r requirements.lock
	$(PIP) install --no-deps --no-build-isolation -e .
	touch $@

.venv/.dev-ready: requirements-dev.lock .venv/.run-ready
	$(PIP) install --require-hashes -r requirements-dev.lock
	touch $@
