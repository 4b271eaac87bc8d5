# Everything a person types. A fresh machine needs python3.11 or newer, pip, make and git.
#
#   make run    build the environment, start the demo rig, print one address
#   make test   build what the checks need, run them all
#   make pictures   draw the page's pictures anew
#   make firmware   build the front end's image into build/firmware

PYTHON ?= $(shell for p in python3.13 python3.12 python3.11 python3 python; do \
	$$p -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && echo $$p && break; done)
BIN := .venv/bin
INSTALLED := .venv/.installed
BUILT := .venv/.built
# command:package where they differ
SYSTEM_PACKAGES := mosquitto chromium node:nodejs npm gcc arm-none-eabi-gcc:gcc-arm-none-eabi
PAGE_TOOLS := tests/page/node_modules/.package-lock.json
EMULATOR := firmware/emulator/node_modules/.package-lock.json

.PHONY: env run test check kernels ruff types layers dead-code page pictures firmware \
	system-packages lock clean

env: $(BUILT)

# Everything pinned with hashes; the project itself is linked into the environment. What is never
# imported is never compiled to bytecode.
$(INSTALLED): requirements-dev.lock pyproject.toml
	@test -n "$(PYTHON)" || { echo "Python 3.11 or newer is needed and was not found. Install it, or give it: make PYTHON=/path/to/python3"; exit 1; }
	@test -x $(BIN)/python || $(PYTHON) -m venv .venv 2>/dev/null || { \
	  rm -rf .venv && $(PYTHON) -m venv --without-pip .venv && \
	  $(PYTHON) -m pip --python $(BIN)/python install --quiet pip; }
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile --require-hashes -r requirements-dev.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile --no-deps --no-build-isolation --editable .
	@touch $@

$(BUILT): $(INSTALLED)
	$(BIN)/drumlin compile
	@touch $@

run: $(BUILT)
	@exec $(BIN)/drumlin demo --follow

test: system-packages check

# What is installed and checked without running goes side by side with compiling.
check:
	+$(MAKE) --no-print-directory --jobs 2 --output-sync=target \
	  types kernels page $(EMULATOR) ruff layers dead-code
	$(BIN)/pytest -m "not live and not browser" --numprocesses logical --dist worksteal
	$(BIN)/pytest -m live
	$(BIN)/pytest -m "browser and not live" --numprocesses 2 --dist loadfile

kernels: $(BUILT)
	$(BIN)/drumlin compile

ruff: $(INSTALLED)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(INSTALLED)
	$(BIN)/mypy

layers: $(INSTALLED)
	$(BIN)/lint-imports

dead-code: $(INSTALLED)
	$(BIN)/python -m tests.dead_code

page: $(PAGE_TOOLS)
	npm --prefix tests/page run --silent check

# Types, lint and unit tests of the page's code; nothing of it is shipped.
$(PAGE_TOOLS): tests/page/package.json tests/page/package-lock.json
	npm ci --silent --prefix tests/page
	@touch $@

# The emulated chip that the front end's image is tested on; nothing of it is shipped.
$(EMULATOR): firmware/emulator/package.json firmware/emulator/package-lock.json
	npm ci --silent --prefix firmware/emulator
	@touch $@

# The pictures of README and docs/page.md, drawn from the demo in a real browser.
pictures: $(BUILT) system-packages
	$(BIN)/python -m tests.browser.pictures

# The reference front end's image, the same bytes each time.
firmware: $(BUILT) system-packages
	$(BIN)/python firmware/build.py build/firmware

# The broker, browser, compilers and emulator that some tests drive. Root installs what is missing.
system-packages:
	@missing=; for p in $(SYSTEM_PACKAGES); do \
	  PATH="$$PATH:/usr/sbin" command -v $${p%:*} >/dev/null || missing="$$missing $${p#*:}"; done; \
	if [ -n "$$missing" ]; then \
	  if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
	    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $$missing; \
	  else \
	    echo "The tests need these programs:$$missing."; \
	    echo "Install them (on Debian: sudo apt-get install$$missing), or run 'make test' as root."; \
	    exit 1; \
	  fi; \
	fi

# Write both lock files anew from pyproject.toml.
LOCK := CUSTOM_COMPILE_COMMAND="make lock" $(BIN)/pip-compile --quiet --generate-hashes --allow-unsafe \
	--strip-extras --no-emit-index-url --no-emit-find-links --no-emit-trusted-host
lock:
	$(LOCK) --output-file requirements.lock pyproject.toml
	$(LOCK) --extra dev --constraint requirements.lock --output-file requirements-dev.lock pyproject.toml

clean:
	rm -rf .venv build dist *.egg-info .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis
