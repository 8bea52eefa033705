#!/usr/bin/env bash
# The same small study on this machine and on a real Slurm: the same bytes, although the node goes
# down while a job runs on it. The run on this machine has an empty environment.
# Ends with 0 when all holds, with 77 and the reason where Slurm cannot be brought up here.
set -euo pipefail
cd "$(dirname "$0")/../.."
project=$PWD
work=$(mktemp -d)
here=tests/slurm
cluster_runs=

finish() {
  if [ -n "$cluster_runs" ]; then "$here/cluster.sh" stop "$work/cluster" || true; fi
  # a node that is told to be down may leave what ran on it
  for left in $(pgrep -f "^$work/layer/bin/python " || true); do kill -9 "$left" || true; done
  rm -rf "$work"
}
trap finish EXIT

skip() {
  echo "SKIPPED, the cluster was not tested: $1" >&2
  exit 77
}

fail() {
  echo "FAILED: $1" >&2
  if [ -e "$work/slurm.log" ]; then tail -n 40 "$work/slurm.log" >&2; fi
  exit 1
}

eventually() {
  for _ in $(seq 300); do
    if eval "$1"; then return 0; fi
    sleep 0.2
  done
  fail "this never came true: $1"
}

echo "-- Slurm from Debian packages, its executor in an environment on top of .venv"
[ "$(id -u)" = 0 ] || skip "only root can bring up a cluster"
if ! command -v slurmctld munged >/dev/null; then
  command -v apt-get >/dev/null || skip "no Debian packages on this system"
  { apt-get update -qq && apt-get install -y -qq --no-install-recommends slurm-wlm munge; } \
    >"$work/packages.log" 2>&1 || skip "packages slurm-wlm and munge do not install: $(tail -n 1 "$work/packages.log")"
fi
python3.11 -m venv --without-pip "$work/layer"
"$project/.venv/bin/python" -c 'import sysconfig; print(sysconfig.get_path("purelib"))' \
  >"$work/layer/lib/python3.11/site-packages/base.pth"
"$project/.venv/bin/python" -m uv pip install --quiet --python "$work/layer/bin/python" --no-deps \
  --require-hashes -r requirements-slurm.lock 2>"$work/plugin.log" ||
  skip "requirements-slurm.lock does not install: $(tail -n 1 "$work/plugin.log")"
"$here/cluster.sh" start "$work/cluster" || skip "Slurm does not come up"
cluster_runs=yes

PYTHONPATH=scripts .venv/bin/python -m benchmarks.large_study --people 2 --into "$work/study"
snakemake=("$work/layer/bin/python" -m snakemake -q all)

echo "-- on this machine, with an empty environment"
timeout 600 env -i "$work/layer/bin/python" -m snakemake -q all --cores 2 --scheduler greedy \
  --config "study=$work/study" "results=$work/local" >"$work/local.log" 2>&1 ||
  { tail -n 40 "$work/local.log" >&2; fail "the run with an empty environment"; }

echo "-- on Slurm, whose node goes down while a job runs"
# without accounting only squeue knows about jobs; a small cluster answers at once
timeout 600 "${snakemake[@]}" --profile workflow/profiles/slurm \
  --slurm-no-account --slurm-status-command squeue --latency-wait 5 \
  --slurm-init-seconds-before-status-checks 1 --seconds-between-status-checks 1 \
  --config "study=$work/study" "results=$work/slurm" >"$work/slurm.log" 2>&1 &
run=$!
eventually 'squeue -h -t RUNNING -o %i | grep -q .'
job=$(squeue -h -t RUNNING -o %i | head -n 1)
eventually 'ls "$work"/slurm/logs/*/*.log >/dev/null 2>&1'
scontrol update nodename="$(hostname -s)" state=down reason=test
eventually 'squeue -h -j $job -t PENDING | grep -q .'
scontrol update nodename="$(hostname -s)" state=resume
wait "$run" || fail "the run on Slurm"
scontrol show job "$job" | grep -q 'Restarts=[1-9]' || fail "job $job was not begun again"

echo "-- compared"
diff --recursive --brief --exclude logs --exclude provenance "$work/local" "$work/slurm" ||
  fail "results differ between this machine and Slurm"
jobs=$(scontrol show job | grep -c '^JobId=')
echo "$(find "$work/slurm" -type f | wc -l) files, the same bytes; $jobs Slurm jobs"
