#!/usr/bin/env bash
# Puts axe-core into node_modules (not in the repository) for the accessibility tests: npm's own client, one package, nothing is run.
set -euo pipefail
cd "$(dirname "$0")/.."

version=4.14.1
if ! grep -q "\"version\": \"$version\"" node_modules/axe-core/package.json 2> /dev/null; then
    command -v npm > /dev/null || { echo "npm is needed once, to fetch axe-core $version for the accessibility tests" >&2; exit 2; }
    npm install --no-save --no-package-lock --no-audit --no-fund --ignore-scripts --silent "axe-core@$version"
fi
