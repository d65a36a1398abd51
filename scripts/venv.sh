# Sourced by the scripts beside it: goes to the checkout's top level and puts its own .venv first in PATH.
# use_venv run|dev: makes .venv where there is none and installs calib (with the developers' tools for dev) where
# pyproject.toml is not the one that was installed. A second run needs no network.

cd "$(dirname "${BASH_SOURCE[0]}")/.."

find_python() {
    local name
    for name in python3 python3.14 python3.13 python3.12 python3.11 python; do
        if "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$name"
            return
        fi
    done
    echo "calib needs Python 3.11 or newer; $(python3 --version 2>/dev/null || echo 'no python3') found." \
        "Install one and put it in PATH." >&2
    return 2
}

use_venv() {
    local kind=$1 python
    if ! .venv/bin/python -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        python=$(find_python)
        if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
            echo "$python has no venv module. Install it (on Debian: apt-get install python3-venv)." >&2
            return 2
        fi
        echo "Making .venv with $("$python" --version)" >&2
        "$python" -m venv --clear .venv
    fi
    export PATH="$PWD/.venv/bin:$PATH"
    unset PYTHONPATH PYTHONHOME
    unset PYTHONDONTWRITEBYTECODE # else every process that is started compiles what changed anew
    if ! is_installed "$kind"; then
        echo "Installing calib into .venv" >&2
        rm -f .venv/installed-*.toml
        python -m pip install --quiet --disable-pip-version-check -e "$([ "$kind" = dev ] && echo '.[dev]' || echo .)"
        cp pyproject.toml ".venv/installed-$kind.toml"
        if [ "$kind" = dev ] && command -v npm >/dev/null; then
            # Exported scenes are held against it; where it is absent those tests are skipped.
            npm install --silent --no-audit --no-fund --no-save --prefix .venv gltf-validator@2.0.0-dev.3.10 >&2 ||
                echo "npm could not install gltf-validator; tests that need it are skipped" >&2
        fi
    fi
}

is_installed() {
    cmp -s pyproject.toml .venv/installed-dev.toml || { [ "$1" = run ] && cmp -s pyproject.toml .venv/installed-run.toml; }
}
