//! The batch script.

use super::trial::Trial;
use super::{STOP_NOTICE, SlurmOptions};
use crate::sweep::quoted;
use std::path::Path;

/// An array of Slurm has numbers below 1001 unless its administrator has raised `MaxArraySize`.
const ARRAY: u64 = 1000;

/// Jobs of one array: those in `first + 1 ..= first + 1000`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Chunk {
    /// What is added to a task's number.
    pub(super) first: u64,
    /// Task numbers, from 1.
    pub(super) tasks: Vec<u64>,
}

/// Jobs as arrays.
pub(super) fn chunks(jobs: &[u64]) -> Vec<Chunk> {
    let mut found: Vec<Chunk> = Vec::new();
    for &job in jobs {
        let first = (job - 1) / ARRAY * ARRAY;
        match found.last_mut().filter(|chunk| chunk.first == first) {
            Some(chunk) => chunk.tasks.push(job - first),
            None => found.push(Chunk { first, tasks: vec![job - first] }),
        }
    }
    found
}

/// What a script is made of.
pub(super) struct Script<'a> {
    pub(super) sweep: &'a str,
    pub(super) file: &'a Path,
    pub(super) folder: &'a Path,
    pub(super) options: &'a SlurmOptions,
    pub(super) trial: &'a Trial,
    pub(super) chunk: &'a Chunk,
}

impl Script<'_> {
    /// The whole script.
    pub(super) fn text(&self) -> String {
        let SlurmOptions { program, processors, array_limit, .. } = self.options;
        let limit = array_limit.map_or_else(String::new, |limit| format!("%{limit}"));
        let (minutes, folder) = (self.trial.minutes(), quoted(self.folder));
        HEAD.replace("@SWEEP@", self.sweep)
            .replace("@TRIAL@", &self.trial.in_words())
            .replace("@ARRAY@", &format!("{}{limit}", ranges(&self.chunk.tasks)))
            .replace("@PROCESSORS@", &processors.to_string())
            .replace("@MEMORY@", &self.trial.memory_mib().to_string())
            .replace("@TIME@", &format!("{:02}:{:02}:00", minutes / 60, minutes % 60))
            // Slurm reads these lines, not a shell.
            .replace("@LOGS@", &self.folder.join("jobs").to_string_lossy().replace('%', "%%"))
            .replace("@PROGRAM@", &quoted(program))
            .replace("@FILE@", &quoted(self.file))
            .replace("@FOLDER@", &folder)
            .replace("@STOP_NOTICE@", STOP_NOTICE)
            .replace("@FIRST@", &self.chunk.first.to_string())
    }
}

const HEAD: &str = r#"#!/bin/sh
# The jobs of the sweep "@SWEEP@" that were missing when this was written. Edit what does not fit your
# cluster (partition, account), then hand it in with sbatch. Measured: @TRIAL@.
#SBATCH --job-name=@SWEEP@
#SBATCH --array=@ARRAY@
#SBATCH --nodes=1
#SBATCH --ntasks=1
#SBATCH --cpus-per-task=@PROCESSORS@
# Half as much memory again as measured, and 200 MiB; three times as long, and two minutes.
#SBATCH --mem=@MEMORY@M
#SBATCH --time=@TIME@
# After a failure of the node or a pre-emption a job is queued again and goes on from its checkpoint.
#SBATCH --requeue
#SBATCH --open-mode=append
#SBATCH --output=@LOGS@/slurm-%A_%a.log
# A minute before its time is over this script is notified, so that it knows why Slurm stops it then. What is pre-empted
# with a time of grace may be notified as well.
#SBATCH --signal=B:USR1@60

set -u
lowgear=@PROGRAM@
sweep=@FILE@
folder=@FOLDER@
# Task 1 of this array is job first + 1.
first=@FIRST@

job=$((first + SLURM_ARRAY_TASK_ID))
base="$folder/jobs/$(printf %04d "$job")"
mkdir -p "$folder/jobs"
# For --status: which task of Slurm this is.
echo "${SLURM_ARRAY_JOB_ID}_${SLURM_ARRAY_TASK_ID}" > "$base.slurm"
rm -f "$base.ended"
if [ "${SLURM_RESTART_COUNT:-0}" -gt 0 ]; then
    echo "job $job was queued again ($SLURM_RESTART_COUNT); it goes on from its checkpoint"
fi

"$lowgear" sweep "$sweep" --out "$folder" --threads "$SLURM_CPUS_PER_TASK" --job "$job" &
child=$!
# Why the job was asked to stop, if it was.
why=""
stop() {
    trap : TERM
    why="${why:-@STOP_NOTICE@}"
    # Some clusters tell every process, others this one alone. Notified twice, the program ends without keeping anything.
    { sleep 5; kill -TERM "$child" 2>/dev/null; } &
}
trap 'why="time limit: it took longer than --time in the script allows"' USR1
trap stop TERM

# A signal ends the waiting, not the job.
while :; do
    wait "$child"
    code=$?
    kill -0 "$child" 2>/dev/null || break
done
# Queued again by Slurm before it was asked to stop: pre-empted, not ended.
queued_again() {
    scontrol --oneliner show job "${SLURM_ARRAY_JOB_ID}_${SLURM_ARRAY_TASK_ID}" 2>/dev/null \
        | grep -q "Restarts=$((${SLURM_RESTART_COUNT:-0} + 1)) "
}
if [ -n "$why" ] && queued_again; then
    exit "$code"
fi
case "$code" in
    0) exit 0 ;;
    137) why="killed, most likely out of memory: it was allowed ${SLURM_MEM_PER_NODE:-@MEMORY@}M (--mem)" ;;
    134) why="broke off, most likely out of memory: it was allowed ${SLURM_MEM_PER_NODE:-@MEMORY@}M (--mem)" ;;
esac
# Other failures leave their reason themselves.
if [ -n "$why" ]; then
    echo "$why" > "$base.ended.partial" && mv "$base.ended.partial" "$base.ended"
fi
exit "$code"
"#;

/// "1-4,7" for 1, 2, 3, 4, 7.
fn ranges(numbers: &[u64]) -> String {
    let mut out: Vec<(u64, u64)> = Vec::new();
    for &n in numbers {
        match out.last_mut().filter(|(_, last)| last + 1 == n) {
            Some((_, last)) => *last = n,
            None => out.push((n, n)),
        }
    }
    let words = out.iter().map(|(a, b)| if a == b { a.to_string() } else { format!("{a}-{b}") });
    words.collect::<Vec<_>>().join(",")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn jobs_become_ranges_below_a_thousand_and_one() {
        assert_eq!(ranges(&[1, 2, 3, 4, 7, 9, 10]), "1-4,7,9-10");
        let all: Vec<u64> = (2..=2500).collect();
        let found = chunks(&all);
        let ends: Vec<_> =
            found.iter().map(|c| (c.first, c.tasks[0], c.tasks.last().copied().unwrap_or(0))).collect();
        assert_eq!(ends, [(0, 2, 1000), (1000, 1, 1000), (2000, 1, 500)]);
    }
}
