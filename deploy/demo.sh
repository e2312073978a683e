#!/usr/bin/env bash
# Installs startledger into .venv and starts the demo: a simulated plant, the gateway, the pages. Words after the script's name go to `startledger demo`.
set -euo pipefail
cd "$(dirname "$0")/.."
bash deploy/install.sh
exec .venv/bin/startledger demo "$@"
