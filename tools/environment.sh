# Sourced by the tools: a virtual environment of the project's own, made anew when what it is made from changes.
# prepare EXTRAS: installs the project with these extras in .venv, offline if nothing changed.

prepare() {
    local extras=$1 stamp
    stamp=$(cat pyproject.toml deploy/constraints.txt | sha256sum | cut -d' ' -f1)
    for made in ".venv/stamp-$extras" ".venv/stamp-demo,test"; do
        if [ "$(cat "$made" 2>/dev/null)" = "$stamp" ]; then return; fi
    done
    if ! python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        echo "wattround needs Python 3.11 or newer as python3; found: $(python3 --version 2>&1)" >&2
        exit 1
    fi
    if [ ! -x .venv/bin/python ]; then
        python3 -m venv .venv || {
            echo "python3 cannot make a virtual environment; on Debian: apt-get install python3-venv" >&2
            exit 1
        }
    fi
    echo "installing wattround and what it needs into .venv (once) ..."
    .venv/bin/pip install --quiet --disable-pip-version-check -c deploy/constraints.txt -e ".[$extras]"
    echo "$stamp" > ".venv/stamp-$extras"
}
