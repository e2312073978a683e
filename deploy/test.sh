#!/usr/bin/env bash
# Installs what the tests need (headless Chromium included), then runs lint, types, import contracts and every test but the long ones.
# `bash deploy/test.sh --slow` adds the long fault, kill and load runs. Other words go to pytest.
set -euo pipefail
cd "$(dirname "$0")/.."

slow=(-m "not slow")
if [ "${1:-}" = "--slow" ]; then
    slow=()
    shift
fi

if ! command -v chromium > /dev/null; then
    sudo=""
    [ "$(id -u)" -eq 0 ] || sudo="sudo"
    $sudo apt-get update -qq
    $sudo apt-get install -y -qq --no-install-recommends chromium fonts-liberation > /dev/null
fi

bash deploy/check.sh
exec .venv/bin/python -m pytest -q "${slow[@]}" "$@"
