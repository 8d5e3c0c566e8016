# What is done with this program, by name. `make help` lists it.
SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := help
.NOTPARALLEL:
MAKEFLAGS += --no-print-directory

BIN := .venv/bin
# What settings.env says (see README.md); the environment and the command line come first.
kept = $(shell sed -n "s/^ *$(1) *= *[\"']\{0,1\}\([^\"']*\)[\"']\{0,1\} *$$/\1/p" settings.env 2>/dev/null)
HOST ?= $(or $(call kept,HOST),127.0.0.1)
PORT ?= $(or $(call kept,PORT),8000)
# One a core; two at once is the most that helps SQLite, which has one writer.
CORES := $(shell nproc 2>/dev/null || echo 2)
WORKERS ?= $(or $(call kept,WORKERS),$(if $(filter postgres%,$(DATABASE_URL) $(call kept,DATABASE_URL)),$(CORES),$(if $(filter 1,$(CORES)),1,2)))
export PYTHONUNBUFFERED := 1
# Where a machine forbids it, every process would compile Django and all the tests anew.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: help install install-tests demo serve update backup test check suite browser postgres benchmarks format lock audit

help: ## this list
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | awk -F ':.*## ' '{ printf "  make %-14s %s\n", $$1, $$2 }'
	@echo
	@echo "  PORT=8010, HOST=0.0.0.0 and WORKERS=4 change where demo and serve listen, and with how many."

install: ## what the program needs: system packages, .venv
	@.ci/install app

install-tests: ## what the tests need beyond that: Chromium, PostgreSQL, tools
	@.ci/install tests

# In a folder of its own and without the settings of a real workshop; the command itself refuses a database that holds
# anything else.
demo: export DATA_DIR := $(or $(DATA_DIR),$(CURDIR)/.demo)
demo: export SETTINGS_FILE := /dev/null
demo: export SITE_ADDRESS := $(or $(SITE_ADDRESS),http://127.0.0.1:$(PORT))
demo: install free-port prepare ## an invented workshop to try, on port 8000
	@$(BIN)/python manage.py demo --skip-checks
	@echo
	@echo "Balance Rail is at http://127.0.0.1:$(PORT)/ (stop it with Ctrl-C)"
	@$(serve)

serve: export SITE_ADDRESS := $(or $(SITE_ADDRESS),$(call kept,SITE_ADDRESS),http://127.0.0.1:$(PORT))
serve: install free-port prepare ## the program for a real workshop, its data in .data, backed up every day
	@echo "Balance Rail is at $$SITE_ADDRESS (listening on $(HOST), port $(PORT))"
	@$(BIN)/python manage.py backup --loop --skip-checks >/dev/null & backups=$$!; $(serve)

# Whoever changes the tables has a backup of how they were.
.PHONY: prepare
prepare: install
	@$(BIN)/python manage.py backup --before-migrate
	@$(BIN)/python manage.py migrate --verbosity 0 --skip-checks
	@$(BIN)/python manage.py collectstatic --noinput --verbosity 0 --skip-checks

# Half of it old and half new, a running program would answer nobody.
update: install ## the newest version, while the program stands still: fetch it, back up, bring the tables up to date
	@$(free_port) || { echo "The program is running on port $(PORT). Stop it first, then update." >&2; exit 1; }
	@git pull --ff-only
	@$(MAKE) prepare
	@$(BIN)/python -c 'from shop.about import VERSION; print(f"This is version {VERSION} now. Start the program again: the Office says under Program what is new.")'

backup: install ## a verified backup now (the last line is the archive)
	@$(BIN)/python manage.py backup --skip-checks

# The web server, with the sender of letters (and in serve the keeper of backups) beside it; the end of the server,
# or of this, ends all.
define serve
$(BIN)/python manage.py letters --loop --skip-checks >/dev/null & letters=$$!; \
$(BIN)/gunicorn shop.wsgi --preload --no-control-socket --bind $(HOST):$(PORT) --workers $(WORKERS) --timeout 120 --log-level warning & server=$$!; \
trap 'kill $$server $$letters $${backups:-} 2>/dev/null || true; wait' EXIT INT TERM; \
wait $$server
endef

free_port = $(BIN)/python -c 'import socket, sys; s = socket.socket(); s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1); s.bind((sys.argv[1], int(sys.argv[2])))' \
	  $(HOST) $(PORT) 2>/dev/null
.PHONY: free-port
free-port:
	@$(free_port) || { echo "Port $(PORT) of $(HOST) is taken or not allowed. Choose another one: make $(firstword $(MAKECMDGOALS)) PORT=8010" >&2; exit 1; }

test: check suite browser postgres ## everything that must hold before a change goes in

check: install-tests ## style, types, layers, migrations, security: without running a test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/djade --check --target-version 5.2 $$(find templates -name '*.html')
	$(BIN)/lint-imports
	$(BIN)/python -W error manage.py check
	$(BIN)/python manage.py makemigrations --check --dry-run
	$(BIN)/bandit --quiet --configfile pyproject.toml --recursive shop keyboards manage.py
# The audit waits for others, so it runs beside; what becomes known overnight is said loudly and is no fault of a change.
	@$(BIN)/python .ci/audit & $(BIN)/mypy; code=$$?; wait; exit $$code

audit: install-tests ## whether a weakness is known of what the locks pin; an error too where nobody can be asked
	@$(BIN)/python .ci/audit

suite: install-tests ## the tests without a browser, on SQLite
	$(BIN)/pytest -n 3 --dist worksteal -m "not browser"

# `make browser SCREENS=phone,tablet-portrait,tablet-landscape,desktop` looks at every screen, and takes longer. The
# narrowest finds nearly all that is wrong; the bench run is driven in both of a tablet's anyway.
browser: export SCREENS ?= phone
browser: install-tests ## the journeys in Chromium
	$(BIN)/pytest -n 4 --dist worksteal -m browser

# The calculations know no database, so they are not run a second time.
WITHOUT_DATABASE := $(addprefix --ignore=tests/,keyboards/core keyboards/validation shop/core shop/validation)
postgres: install-tests ## the tests that use a database, on a PostgreSQL of their own
	.ci/with-postgres $(BIN)/pytest -n 3 --dist worksteal -m "not browser" $(WITHOUT_DATABASE)

benchmarks: install-tests ## what things cost beside what they should cost: some minutes, on a machine that does nothing else
	@$(BIN)/python -m tests.benchmarks
	@DURABLE=1 .ci/with-postgres $(BIN)/python -m tests.benchmarks bench_load

format: install-tests ## put code and templates into the house style
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .
	$(BIN)/djade --target-version 5.2 $$(find templates -name '*.html')

# One answer for every system and every Python from 3.11 on, with hashes and without an address.
# The second file leaves out what the first holds for every system. `make lock UPGRADE=1` takes newer releases.
compile = $(BIN)/uv pip compile pyproject.toml --quiet --universal --python-version 3.11 --generate-hashes \
  --only-binary :all: --custom-compile-command "make lock" $(if $(UPGRADE),--upgrade)
lock: ## pin again what pyproject.toml asks for
	@test -x $(BIN)/uv || .ci/install tests || $(BIN)/python -m pip install --quiet uv
	$(compile) --output-file requirements.lock
	$(compile) --extra test --constraint requirements.lock --output-file .ci/tests.lock \
	  $$(sed -nE 's/^([a-z0-9._-]+)==[^ ;]+ \\$$/--no-emit-package \1/p' requirements.lock)
