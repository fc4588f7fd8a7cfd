#!/bin/sh
# The campaign against the command for so many minutes, 60 when none are given, from a seed: sh tests/campaign.sh [MINUTES [SEED]]
set -eu
cd "$(dirname "$0")/.."
LOWGEAR_CAMPAIGN_MINUTES=${1:-60}
LOWGEAR_CAMPAIGN_SEED=${2:-$(date +%s)}
export LOWGEAR_CAMPAIGN_MINUTES LOWGEAR_CAMPAIGN_SEED
exec cargo test --release -p lowgear-tests campaign -- --nocapture
