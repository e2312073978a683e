#!/usr/bin/env bash
# Lint, format of imports, strict types and the import contracts. No test is run.
set -euo pipefail
cd "$(dirname "$0")/.."
bash deploy/install.sh test
.venv/bin/ruff check .
.venv/bin/mypy
.venv/bin/lint-imports
.venv/bin/startledger check config
