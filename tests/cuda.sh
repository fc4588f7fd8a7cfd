#!/bin/sh
# Learning on a GPU: builds the feature `cuda` and holds the GPU against the CPU. On a machine with an NVIDIA GPU and its
# driver: sh tests/cuda.sh
set -eu
cd "$(dirname "$0")/.."
cargo build --release --features cuda
exec cargo test --release --workspace --test cuda --features lowgear-agents/cuda -- --nocapture
