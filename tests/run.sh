#!/usr/bin/env bash
# Set up everything the checks and tests need, then run them all.
set -euo pipefail
cd "$(dirname "$0")/.."

root=""
[ "$(id -u)" = 0 ] || root="sudo"
packages=(
    chromium fonts-dejavu-core fonts-liberation libblas3 libharfbuzz-subset0 liblapack3
    libpango-1.0-0 libpangoft2-1.0-0 libreoffice-calc-nogui python3-venv
)
missing=()
for package in "${packages[@]}"; do
    dpkg -s "$package" >/dev/null 2>&1 || missing+=("$package")
done
if [ "${#missing[@]}" -gt 0 ]; then
    $root apt-get update -qq
    $root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq "${missing[@]}" >/dev/null
fi

venv="${GEOPLAN_VENV:-.venv}"
[ -x "$venv/bin/python" ] || python3 -m venv "$venv"
"$venv/bin/python" -m pip install --quiet --upgrade pip
"$venv/bin/python" -m pip install --quiet --editable '.[test]'

"$venv/bin/ruff" check .
"$venv/bin/ruff" format --check .
"$venv/bin/mypy"
"$venv/bin/lint-imports"
"$venv/bin/python" -m pytest -n 2 --dist loadfile --no-loadscope-reorder -q "$@"
