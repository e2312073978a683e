#!/usr/bin/env bash
# Makes .venv in the project folder and installs the project into it; `test` as first word installs what the tests need too.
# Sourced by demo.sh and test.sh, so that both install in one way.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

extras="${1:-}"
python="${PYTHON:-python3}"
"$python" - <<'PY' || { echo "startledger needs Python 3.11 or newer; set PYTHON to one" >&2; exit 2; }
import sys
sys.exit(sys.version_info < (3, 11))
PY

# The stamp says what was installed last; the same files need no second installation.
stamp=".venv/installed-${extras:-run}"
wanted="$(cat pyproject.toml deploy/constraints.txt | sha256sum)"
if [ ! -f "$stamp" ] || [ "$(cat "$stamp")" != "$wanted" ]; then
    echo "installing into .venv (a minute or two the first time)"
    [ -x .venv/bin/python ] || "$python" -m venv .venv
    .venv/bin/python -m pip install --quiet --disable-pip-version-check -c deploy/constraints.txt -e ".${extras:+[$extras]}"
    echo "$wanted" > "$stamp"
fi
