#!/usr/bin/env bash
# Installs what the tests need (headless Chromium and servers of other makes included), then runs lint, types, import contracts and every test but the long ones.
# `bash deploy/test.sh --slow` adds the long fault, kill and load runs. Other words go to pytest.
set -euo pipefail
cd "$(dirname "$0")/.."

slow=(-m "not slow")
if [ "${1:-}" = "--slow" ]; then
    slow=()
    shift
fi

# What the system must have, by the command or file that shows it.
missing=()
command -v chromium > /dev/null || missing+=(chromium fonts-liberation)
command -v gcc > /dev/null || missing+=(gcc libc6-dev)
command -v pkg-config > /dev/null || missing+=(pkg-config)
[ -e /usr/include/modbus/modbus.h ] || missing+=(libmodbus-dev)
command -v node > /dev/null || missing+=(nodejs)
command -v npm > /dev/null || missing+=(npm)
if [ "${#missing[@]}" -gt 0 ]; then
    sudo=""
    [ "$(id -u)" -eq 0 ] || sudo="sudo"
    $sudo apt-get update -qq
    $sudo apt-get install -y -qq --no-install-recommends "${missing[@]}" > /dev/null
fi

# An OPC UA server of another make, for the tests to read from (about 70 MB in a folder that git ignores).
peers="deploy/peers/node_modules/.installed"
wanted="$(sha256sum < deploy/peers/package.json)"
if [ ! -f "$peers" ] || [ "$(cat "$peers")" != "$wanted" ]; then
    npm install --prefix deploy/peers --no-audit --no-fund --no-package-lock --ignore-scripts --omit=optional --loglevel=error
    echo "$wanted" > "$peers"
fi

bash deploy/axe.sh
bash deploy/check.sh
# Most of a run is waiting for sockets and browsers, so three processes share it; a file stays in one, for its fixtures.
exec .venv/bin/python -m pytest -q -n 3 --dist loadfile "${slow[@]}" "$@"
