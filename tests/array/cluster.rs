//! A small Slurm of its own on this machine: a controller and two nodes, without accounting and without
//! control groups. Programs: `munged`, `slurmctld`, `slurmd`, as Debian packages them.

use crate::sandbox::repository;
use std::fs::{self, File};
use std::net::TcpListener;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// What the program and its batch script call.
const PROGRAMS: [&str; 8] = ["sbatch", "sacct", "scontrol", "grep", "mkdir", "mv", "rm", "sleep"];

/// Names of the nodes.
pub(super) const NODES: [&str; 2] = ["n1", "n2"];

/// The cluster; its processes end with it.
pub(super) struct Cluster {
    folder: tempfile::TempDir,
    others: Vec<Child>,
    nodes: Vec<(&'static str, Child)>,
}

impl Cluster {
    /// Starts it. None where that is not possible here, which is said; with `CI` set that is a failure.
    pub(super) fn start() -> Option<Cluster> {
        let cluster = Cluster::tried();
        if cluster.is_none() {
            let what = "Slurm (packages slurm-wlm and munge) cannot be started here";
            assert!(std::env::var_os("CI").is_none(), "{what}");
            eprintln!("SKIPPED: {what}, so job arrays are not tried");
        }
        cluster
    }

    fn tried() -> Option<Cluster> {
        // Short, since sockets have short names.
        let folder = tempfile::Builder::new().prefix("slurm").tempdir_in("/tmp").ok()?;
        let at = |name: &str| folder.path().join(name);
        for name in ["state", "spool", "spool/n1", "spool/n2", "log", "munge", "programs"] {
            fs::create_dir(at(name)).ok()?;
        }
        for program in PROGRAMS {
            symlink(find(program)?, at("programs").join(program)).ok()?;
        }
        fs::set_permissions(at("munge"), fs::Permissions::from_mode(0o711)).ok()?;
        // A key of this cluster alone; what it is does not matter.
        fs::write(at("munge/key"), [7_u8; 1024]).ok()?;
        fs::set_permissions(at("munge/key"), fs::Permissions::from_mode(0o400)).ok()?;
        fs::write(at("slurm.conf"), configuration(folder.path())?).ok()?;
        let mut cluster = Cluster { folder, others: Vec::new(), nodes: Vec::new() };
        let munge = |name: &str| cluster.path("munge").join(name).display().to_string();
        let arguments = [
            "--foreground".to_owned(),
            "--force".to_owned(),
            format!("--key-file={}", munge("key")),
            format!("--socket={}", munge("socket")),
            format!("--pid-file={}", munge("pid")),
            format!("--log-file={}", munge("log")),
            format!("--seed-file={}", munge("seed")),
        ];
        let munged = cluster.daemon("munged", &arguments)?;
        cluster.others.push(munged);
        let socket = cluster.path("munge/socket");
        wait(Duration::from_secs(20), || socket.exists()).then_some(())?;
        let controller = cluster.daemon("slurmctld", &["-D".to_owned()])?;
        cluster.others.push(controller);
        for node in NODES {
            cluster.start_node(node)?;
        }
        let idle = || {
            cluster.said("sinfo", &["-h", "-N", "-p", "all", "-o", "%T"]).matches("idle").count()
                == NODES.len()
        };
        wait(Duration::from_secs(60), idle).then_some(cluster)
    }

    /// Starts the daemon of a node.
    pub(super) fn start_node(&mut self, node: &'static str) -> Option<()> {
        let child = self.daemon("slurmd", &["-D", "-N", node].map(str::to_owned))?;
        self.nodes.push((node, child));
        Some(())
    }

    fn daemon(&self, program: &str, arguments: &[String]) -> Option<Child> {
        let log = File::create(self.path("log").join(format!("{program}-{}.out", arguments.len()))).ok()?;
        let mut command = Command::new(find(program)?);
        command.args(arguments).env("SLURM_CONF", self.path("slurm.conf")).stdin(Stdio::null());
        command.stdout(log.try_clone().ok()?).stderr(log).spawn().ok()
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// A program that talks to this cluster.
    pub(super) fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = Command::new(program);
        command.env("SLURM_CONF", self.path("slurm.conf")).stdin(Stdio::null());
        command
    }

    /// The program under test, with Slurm and what a batch script needs in reach, but no compilers: jobs inherit that, and
    /// proofs of firmware would take most of their time.
    pub(super) fn lowgear(&self) -> Command {
        let mut command = self.command(env!("CARGO_BIN_EXE_lowgear-under-test"));
        command.env("PATH", self.path("programs")).env_remove("CC");
        command
    }

    /// What a program of Slurm says.
    pub(super) fn said(&self, program: &str, arguments: &[&str]) -> String {
        let out = self.command(program).args(arguments).output();
        out.map_or_else(|_| String::new(), |out| String::from_utf8_lossy(&out.stdout).into_owned())
    }

    /// Kills all of a node at once, as a power cut does: its daemon, the step daemons and the jobs on it.
    pub(super) fn cut_power(&mut self, node: &str) {
        let Some(index) = self.nodes.iter().position(|(name, _)| *name == node) else { return };
        let (_, mut daemon) = self.nodes.swap_remove(index);
        // The daemon first, or it would tell the controller.
        let mut doomed = vec![daemon.id()];
        let gone = wait(Duration::from_secs(20), || {
            let jobs = self.processes_of(node);
            doomed.extend(
                jobs.iter().filter_map(|job| parent(*job)).filter(|p| name_of(*p).contains("slurmstepd")),
            );
            doomed.extend(&jobs);
            let words: Vec<String> = doomed.drain(..).map(|pid| pid.to_string()).collect();
            let _ = Command::new("kill").arg("-9").args(&words).stderr(Stdio::null()).status();
            jobs.is_empty()
        });
        assert!(gone || std::thread::panicking(), "everything on {node} is killed");
        let _ = daemon.wait();
    }

    /// Processes of jobs on a node.
    pub(super) fn processes_of(&self, node: &str) -> Vec<u32> {
        let wanted = format!("SLURMD_NODENAME={node}");
        let mine = format!("SLURM_CONF={}", self.path("slurm.conf").display());
        let has = |pid: &u32| {
            let environment = fs::read(format!("/proc/{pid}/environ")).unwrap_or_default();
            let holds = |text: &str| environment.split(|b| *b == 0).any(|entry| entry == text.as_bytes());
            holds(&wanted) && holds(&mine)
        };
        numbers_in_proc().into_iter().filter(has).collect()
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        let _ = self.command("scancel").args(["--state=RUNNING", "--signal=KILL", "--full", "--me"]).output();
        let _ = self.command("scancel").arg("--me").output();
        sleep(Duration::from_millis(500));
        for node in NODES {
            self.cut_power(node);
        }
        for child in &mut self.others {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// The name of a process.
pub(super) fn name_of(pid: u32) -> String {
    fs::read_to_string(format!("/proc/{pid}/comm")).unwrap_or_default()
}

fn parent(pid: u32) -> Option<u32> {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    status.lines().find_map(|line| line.strip_prefix("PPid:"))?.trim().parse().ok()
}

fn numbers_in_proc() -> Vec<u32> {
    let entries = fs::read_dir("/proc").into_iter().flatten().flatten();
    entries.filter_map(|entry| entry.file_name().to_string_lossy().parse().ok()).collect()
}

/// Waits until something is true; whether it became so.
pub(super) fn wait(most: Duration, mut until: impl FnMut() -> bool) -> bool {
    let end = Instant::now() + most;
    while Instant::now() < end {
        if until() {
            return true;
        }
        sleep(Duration::from_millis(50));
    }
    false
}

/// A program on the path or where daemons lie.
fn find(program: &str) -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let folders = std::env::split_paths(&path).chain([PathBuf::from("/usr/sbin"), PathBuf::from("/usr/bin")]);
    folders.map(|folder| folder.join(program)).find(|file| file.is_file())
}

fn configuration(folder: &Path) -> Option<String> {
    let text = fs::read_to_string(repository().join("tests/array/slurm.conf")).ok()?;
    let host = fs::read_to_string("/proc/sys/kernel/hostname").ok()?;
    // Ports that nobody uses.
    let listeners: Vec<TcpListener> =
        (0..3).map(|_| TcpListener::bind("127.0.0.1:0")).collect::<Result<_, _>>().ok()?;
    let mut ports =
        listeners.iter().filter_map(|listener| listener.local_addr().ok()).map(|a| a.port().to_string());
    let user = Command::new("id").arg("-un").output().ok()?;
    Some(
        text.replace("@FOLDER@", &folder.to_string_lossy())
            .replace("@HOST@", host.trim())
            .replace("@USER@", String::from_utf8_lossy(&user.stdout).trim())
            .replace("@PORT@", &ports.next()?)
            .replace("@PORT1@", &ports.next()?)
            .replace("@PORT2@", &ports.next()?),
    )
}
