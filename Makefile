# Everything a person does here has a name; `make help` lists the names.
# Needs: Python 3.11 or newer with venv and pip, and make. Nothing else for demo.

PYTHON ?= python3
PORT ?= 8000
PYTEST_ARGS ?=
# The two halves of the tests that need only Python, side by side where there are two processors.
HALVES := half-reports half-others
half-reports_TESTS := tests/reports
half-others_TESTS := tests --ignore=tests/reports
VENV := .venv
PY := $(VENV)/bin/python
RUN := $(VENV)/run.stamp
DEV := $(VENV)/dev.stamp
CHROMIUM ?= $(shell command -v chromium || command -v chromium-browser || command -v google-chrome)
PACKAGES := labsite specimens trials reports
# Tests that never touch the database; a second run on another database may leave them out.
PURE_TESTS := tests/outside tests/reference tests/fixtures tests/reports/degradation tests/trials/physics
export CHROMIUM

.DEFAULT_GOAL := help
.PHONY: $(HALVES) help setup demo serve worker check audit fix test test-site test-database test-services test-browser test-js \
	bench bench-entry faults-bench screenshots lock migrate clean

help: ## show this list
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  make %-14s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

$(VENV)/bin/python:
	@command -v $(PYTHON) >/dev/null || { \
		echo "There is no $(PYTHON) here. Install Python 3.11 or newer, or say which: make PYTHON=python3.12"; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
		echo "Wornproof needs Python 3.11 or newer, but $(PYTHON) is $$($(PYTHON) --version 2>&1). Say which: make PYTHON=python3.12"; exit 1; }
	@echo "Making the virtual environment in $(VENV) ..."
	@$(PYTHON) -m venv $(VENV)

$(RUN): requirements/run.txt | $(VENV)/bin/python
	@echo "Installing what the site needs (locked by hash) ..."
	@$(PY) -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements/run.txt
	@touch $@

$(DEV): requirements/dev.txt | $(VENV)/bin/python
	@echo "Installing what the site and its tests need (locked by hash) ..."
	@$(PY) -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements/dev.txt
	@touch $(RUN) $@

setup: $(RUN) ## build only the virtual environment

demo: $(RUN) ## everything at once: the invented demo lab, web and worker (PORT=8000)
	@$(PY) manage.py demo --port $(PORT)

serve: $(RUN) ## the web process only (PORT=8000)
	@$(PY) manage.py migrate --verbosity 0
	@$(PY) manage.py collectstatic --noinput --verbosity 0
	@$(PY) manage.py serve --port $(PORT)

worker: $(RUN) ## one worker only
	@$(PY) manage.py worker

migrate: $(RUN) ## bring the database up to date
	@$(PY) manage.py migrate

check: $(DEV) ## style, types, import arrows, common security mistakes, templates, migrations, deployment settings
	$(VENV)/bin/ruff check .
	$(VENV)/bin/ruff format --check .
	$(VENV)/bin/mypy $(PACKAGES)
	$(VENV)/bin/lint-imports
	$(VENV)/bin/bandit --quiet --recursive --configfile pyproject.toml $(PACKAGES) manage.py
	$(VENV)/bin/djlint --lint --quiet $(PACKAGES)
	$(PY) manage.py makemigrations --check --dry-run
	HTTPS=true $(PY) manage.py check --deploy --fail-level WARNING
	$(VENV)/bin/check-jsonschema --builtin-schema vendor.compose-spec docker-compose.yml
	bash -n .ci/run

audit: $(DEV) ## known weaknesses in the locked libraries (needs PyPI itself)
	$(VENV)/bin/pip-audit --strict --require-hashes --disable-pip --requirement requirements/run.txt

fix: $(DEV) ## repair what can be repaired by a program
	$(VENV)/bin/ruff check --fix .
	$(VENV)/bin/ruff format .

test: $(DEV) ## all tests that this machine can run
	@$(MAKE) --no-print-directory test-site test-js test-services test-browser

test-site: $(DEV) ## tests that need only Python (PYTEST_ARGS=...)
	@if [ -n "$(PYTEST_ARGS)" ]; then \
		$(PY) -m pytest -m "not browser and not services" $(PYTEST_ARGS); \
	else \
		$(MAKE) --no-print-directory --jobs=2 --output-sync=line --keep-going $(HALVES); \
	fi

test-database: $(DEV) ## the tests that meet the database, for a second run with DATABASE_URL set
	@$(MAKE) --no-print-directory --jobs=2 --output-sync=line --keep-going $(HALVES) \
		LEFT_OUT="$(addprefix --ignore=,$(PURE_TESTS) tests/faults tests/test_repository.py)"

$(HALVES): $(DEV)
	@$(PY) -m pytest -m "not browser and not services" $($@_TESTS) $(LEFT_OUT)

test-services: $(DEV) ## processes killed and restarted against PostgreSQL, Redis and RabbitMQ
	@if $(PY) -m tests.faults.services; then \
		$(PY) -m pytest -m services tests/faults; \
	elif [ "$$CI" = "true" ]; then \
		echo "CI needs PostgreSQL, Redis and RabbitMQ on this machine."; exit 1; \
	else \
		echo "NOT RUN: the tests against PostgreSQL, Redis and RabbitMQ (see above which does not answer)."; \
	fi

test-browser: $(DEV) ## tests in Chromium
	@if [ -n "$(CHROMIUM)" ]; then \
		$(PY) -m pytest -m browser tests/browser; \
	elif [ "$$CI" = "true" ]; then \
		echo "CI needs Chromium on this machine."; exit 1; \
	else \
		echo "NOT RUN: the browser tests. This machine has no Chromium (or say CHROMIUM=/path/to/it)."; \
	fi

test-js: ## tests of the page scripts that need no browser
	@if command -v node >/dev/null; then \
		node --test tests/js/; \
	elif [ "$$CI" = "true" ]; then \
		echo "CI needs Node on this machine."; exit 1; \
	else \
		echo "NOT RUN: the script tests. This machine has no Node."; \
	fi

bench: $(DEV) ## how fast the analysis is, beside other programs
	$(PY) -m benchmarks.speed
	$(PY) -m benchmarks.hic
	$(PY) -m benchmarks.traces

bench-entry: $(DEV) ## from the tap to 'kept' with 5,000 entries waiting, beside a plain form
	$(PY) -m benchmarks.bench_entry

faults-bench: $(DEV) ## 200 rounds of random faults at the bench, counted against what was typed
	$(PY) -m tests.faults.bench_rounds --rounds 200

screenshots: $(DEV) ## make the pictures of the README anew
	$(PY) -m tests.browser.screenshots

lock: ## resolve requirements/*.in into the hashed locks (needs uv)
	@command -v uv >/dev/null || { echo "make lock needs uv: $(PYTHON) -m pip install uv"; exit 1; }
	cd requirements && for name in run dev; do \
		uv pip compile --quiet --universal --python-version 3.11 --generate-hashes \
			--no-emit-index-url --no-header --no-annotate $$name.in --output-file $$name.txt || exit 1; \
	done

clean: ## remove the virtual environment and caches; the var folder with the lab's data stays
	rm -rf $(VENV) .pytest_cache .mypy_cache .ruff_cache .import_linter_cache .hypothesis
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
