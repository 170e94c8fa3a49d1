//! A PostgreSQL of our own: a fresh cluster in a temporary folder, on a free port, under an account that is not root.

use super::{free_port, signal, wait_for};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

pub const PASSWORD: &str = "the-historians-password";

pub struct Postgres {
    server: Option<Child>,
    dir: PathBuf,
    _own: tempfile::TempDir,
    pub port: u16,
}

/// Debian keeps the server's programs apart by version, off everybody's path.
fn bin(name: &str) -> PathBuf {
    let mut found: Vec<PathBuf> = std::fs::read_dir("/usr/lib/postgresql")
        .map(|versions| versions.filter_map(Result::ok).map(|version| version.path().join("bin").join(name)).collect())
        .unwrap_or_default();
    found.retain(|path| path.is_file());
    found.sort();
    found.pop().expect("this test needs PostgreSQL: install Debian's package postgresql, as tests/run does")
}

fn is_root() -> bool {
    let uid = Command::new("id").arg("-u").output().expect("`id` runs");
    uid.stdout.trim_ascii() == b"0"
}

/// The program under an account PostgreSQL agrees to run as. `setpriv` becomes the program: its process is ours to kill.
fn as_somebody(program: &Path) -> Command {
    if !is_root() {
        return Command::new(program);
    }
    let mut command = Command::new("setpriv");
    command.args(["--reuid=postgres", "--regid=postgres", "--clear-groups", "--"]).arg(program);
    command
}

/// Gives a folder to the account of the server.
pub fn give_away(dir: &Path) {
    if is_root() {
        let given = Command::new("chown").arg("postgres:postgres").arg(dir).status();
        assert!(given.expect("chown runs").success(), "{} cannot be given to postgres", dir.display());
    }
}

impl Postgres {
    /// `files` are in the folder of the cluster before the server starts; `config` is added to its configuration.
    pub fn start(config: &str, files: &[(&str, &str)]) -> Self {
        let own = tempfile::tempdir().expect("a temporary directory");
        let dir = own.path().join("cluster");
        std::fs::create_dir(&dir).expect("a folder");
        Self::start_in(dir, own, config, files)
    }

    /// With all its files on the disk that is mounted there, its write-ahead log too.
    pub fn start_on(disk: &Path) -> Self {
        let own = tempfile::tempdir().expect("a temporary directory");
        let dir = disk.join("cluster");
        std::fs::create_dir(&dir).expect("a folder");
        Self::start_in(dir, own, "", &[])
    }

    fn start_in(dir: PathBuf, own: tempfile::TempDir, config: &str, files: &[(&str, &str)]) -> Self {
        use std::os::unix::fs::PermissionsExt;
        // The account must get through to its own folder.
        std::fs::set_permissions(own.path(), PermissionsExt::from_mode(0o755)).expect("its mode");
        let secret = own.path().join("password");
        std::fs::write(&secret, PASSWORD).expect("a file");
        give_away(&dir);
        give_away(&secret);
        let data = dir.join("data");
        let made = as_somebody(&bin("initdb"))
            .args(["--auth=scram-sha-256", "--encoding=UTF8", "--locale=C", "--username=plant", "--wal-segsize=1"])
            .arg(format!("--pwfile={}", secret.display()))
            .arg(&data)
            .current_dir(&dir)
            .output()
            .expect("initdb starts");
        assert!(made.status.success(), "initdb: {}", String::from_utf8_lossy(&made.stderr));
        let port = free_port();
        for (name, text) in files {
            let path = data.join(name);
            std::fs::write(&path, text).expect("a file");
            std::fs::set_permissions(&path, PermissionsExt::from_mode(0o600)).expect("its mode");
            give_away(&path);
        }
        let text = format!(
            "port = {port}\nlisten_addresses = '127.0.0.1'\nunix_socket_directories = '{}'\nlog_min_messages = warning\n\
             max_wal_size = 8MB\nmin_wal_size = 2MB\nshared_buffers = 16MB\n{config}\n",
            dir.display()
        );
        let file = data.join("postgresql.conf");
        let before = std::fs::read_to_string(&file).expect("initdb made it");
        std::fs::write(&file, before + &text).expect("it can be written");
        let mut all = Self { server: None, dir, _own: own, port };
        all.restart();
        all.psql_in("postgres", "CREATE DATABASE plant");
        all
    }

    /// Folder of the cluster, with its socket.
    pub fn folder(&self) -> &Path {
        &self.dir
    }

    /// Starts it again on the same data.
    pub fn restart(&mut self) {
        // What is left of one that was killed may hold its memory for a moment.
        wait_for("PostgreSQL to answer", || {
            let gone = self.server.as_mut().is_none_or(|server| !matches!(server.try_wait(), Ok(None)));
            if gone {
                let log = std::fs::OpenOptions::new().create(true).append(true).open(self.dir.join("log"));
                let server = as_somebody(&bin("postgres"))
                    .arg("-D")
                    .arg(self.dir.join("data"))
                    .stdin(Stdio::null())
                    .stdout(Stdio::null())
                    .stderr(log.map_or_else(|_| Stdio::null(), Stdio::from))
                    .spawn();
                self.server = Some(server.expect("postgres starts"));
            }
            self.try_psql("postgres", "SELECT 1").is_ok()
        });
    }

    /// The server's processes: the first, and those it started.
    fn processes(&self) -> Vec<u32> {
        let Some(first) = self.server.as_ref().map(Child::id) else { return Vec::new() };
        let children = std::fs::read_to_string(format!("/proc/{first}/task/{first}/children")).unwrap_or_default();
        std::iter::once(first).chain(children.split_whitespace().filter_map(|pid| pid.parse().ok())).collect()
    }

    fn signal(&self, name: &str) {
        for pid in self.processes() {
            // One of them may end just now.
            let _ = Command::new("kill").args([&format!("-{name}"), &pid.to_string()]).stderr(Stdio::null()).status();
        }
    }

    /// `kill -9` of all its processes.
    pub fn kill(&mut self) {
        self.signal("KILL");
        if let Some(mut server) = self.server.take() {
            server.wait().expect("it ends");
        }
    }

    /// Whether it still runs: a full disk can end it.
    pub fn is_running(&mut self) -> bool {
        self.server.as_mut().is_some_and(|server| matches!(server.try_wait(), Ok(None)))
    }

    /// It stays connected and does nothing more.
    pub fn freeze(&self) {
        self.signal("STOP");
    }

    pub fn thaw(&self) {
        self.signal("CONT");
    }

    /// Reads its configuration again.
    pub fn reload(&self) {
        signal(self.server.as_ref().expect("running").id(), "HUP");
    }

    /// What a query gives, a line a row, its columns with | between them: PostgreSQL's own client.
    pub fn psql(&self, sql: &str) -> Vec<String> {
        self.psql_in("plant", sql)
    }

    fn psql_in(&self, database: &str, sql: &str) -> Vec<String> {
        self.try_psql(database, sql).unwrap_or_else(|words| panic!("{sql}: {words}"))
    }

    fn try_psql(&self, database: &str, sql: &str) -> Result<Vec<String>, String> {
        let done = Command::new(bin("psql"))
            .args(["-X", "-A", "-t", "-q", "-h", "127.0.0.1", "-U", "plant", "-v", "ON_ERROR_STOP=1"])
            .args(["-p", &self.port.to_string(), "-d", database, "-c", sql])
            .env("PGPASSWORD", PASSWORD)
            .env("PGCONNECT_TIMEOUT", "5")
            .output()
            .expect("psql runs");
        match done.status.success() {
            true => Ok(String::from_utf8_lossy(&done.stdout).lines().map(str::to_owned).collect()),
            false => Err(String::from_utf8_lossy(&done.stderr).into_owned()),
        }
    }
}

impl Drop for Postgres {
    fn drop(&mut self) {
        self.kill();
        if std::thread::panicking()
            && let Ok(log) = std::fs::read_to_string(self.dir.join("log"))
        {
            let tail: Vec<_> = log.lines().rev().take(30).collect();
            eprintln!("--- PostgreSQL's last lines, newest first ---\n{}", tail.join("\n"));
        }
    }
}
