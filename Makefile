# Casewright: `make demo` to see it, `make check test` before a commit.
export PATH := $(CURDIR)/.venv/bin:$(PATH)
PORT ?= 8000

.PHONY: help setup demo check test bench bench-reference bench-baskets pictures clean lock
.DEFAULT_GOAL := help

help: ## Say what can be made
	@sed -n 's/^\([a-z-]*\):.*## \(.*\)/make \1\t\2/p' Makefile | expand -t 16

setup: ## Install what is needed to run, check and test; instant when it is all there
	@.ci/setup

demo: ## Start the demo workshop on PORT (8000); ONCE=1 builds it, shows it works and ends
	@.ci/setup run
	python manage.py demo --port $(PORT) $(if $(ONCE),--once) $(if $(FRESH),--fresh)

check: setup ## Format, lint, types, layers, migrations, the shape of the code
	ruff format --check .
	ruff check .
	mypy
	lint-imports
	python manage.py makemigrations --check --dry-run
	python .ci/shape.py

test: setup ## All tests: on SQLite, and beside them those that need PostgreSQL and Redis
	@.ci/test

bench: setup ## The measurements: on SQLite, then those that need PostgreSQL
	pytest -m "bench and not postgres"
	python -m tests.servers pytest -m "bench and postgres"

bench-reference: setup ## Make the references of the eight weeks anew: 40 minutes, best in the background
	python -m tests.benchmarks.reference

bench-baskets: setup ## Accept 10,000 random baskets, improve and plan again after every 50
	python -m tests.benchmarks.baskets

pictures: setup ## Renew the pictures that the README shows
	CASEWRIGHT_PICTURES=renew pytest -q tests/browser/test_pictures.py

lock: ## Renew both lock files from pyproject.toml (needs uv)
	uv pip compile pyproject.toml $(LOCK) --output-file requirements.lock
	uv pip compile pyproject.toml $(LOCK) --extra dev --constraint requirements.lock --output-file requirements-dev.lock
LOCK := --universal --python-version 3.11 --generate-hashes --no-annotate --no-header --quiet

clean: ## Remove what was made here: environment, caches, demo data
	rm -rf .venv var .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis test-results
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
