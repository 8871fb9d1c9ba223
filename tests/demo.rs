//! `permeated demo` as a stranger runs it: real broker, real daemon, real plant; what it starts is
//! gone when it ends, and its exit code tells whether a fault had its stated effect.

#![cfg(feature = "broker")]

use rustix::process::{Pid, Signal, kill_process, test_kill_process};
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

struct Demo {
    child: Child,
    out: BufReader<ChildStdout>,
    said: String,
}

impl Demo {
    fn start(temporary: &Path, arguments: &[&str]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_permeated"))
            .arg("demo")
            .args(arguments)
            .env("TMPDIR", temporary)
            .stdout(Stdio::piped())
            .stdin(Stdio::null())
            .spawn()
            .expect("the demo starts");
        let out = BufReader::new(child.stdout.take().expect("piped"));
        Self { child, out, said: String::new() }
    }

    /// Reads on until a line holds this.
    fn read_until(&mut self, part: &str) -> String {
        loop {
            let mut line = String::new();
            let read = self.out.read_line(&mut line).expect("text");
            assert!(read > 0, "the demo ended without saying '{part}':\n{}", self.said);
            self.said.push_str(&line);
            if line.contains(part) {
                return line;
            }
        }
    }

    /// Reads to the end; gives how it ended.
    fn end(&mut self) -> ExitStatus {
        self.out.read_to_string(&mut self.said).expect("text");
        self.child.wait().expect("it ends")
    }

    fn last_line(&self) -> &str {
        self.said.lines().last().unwrap_or_default()
    }
}

impl Drop for Demo {
    fn drop(&mut self) {
        if self.child.try_wait().ok().flatten().is_none()
            && let Some(pid) = pid(self.child.id())
        {
            // Asked, not killed, so that it takes its children along.
            let _ = kill_process(pid, Signal::TERM);
            let _ = self.child.wait();
        }
    }
}

fn pid(id: u32) -> Option<Pid> {
    Pid::from_raw(i32::try_from(id).ok()?)
}

/// The process ids in a line such as "Broker is process 12, daemon process 13."
fn ids(line: &str) -> Vec<u32> {
    line.split(|c: char| !c.is_ascii_digit()).filter_map(|word| word.parse().ok()).collect()
}

fn assert_gone(ids: &[u32]) {
    let until = Instant::now() + Duration::from_secs(10);
    for &id in ids {
        while pid(id).is_some_and(|pid| test_kill_process(pid).is_ok()) {
            assert!(Instant::now() < until, "process {id} is still there");
            std::thread::yield_now();
        }
    }
}

fn assert_empty(folder: &Path) {
    let left: Vec<_> = std::fs::read_dir(folder).expect("a folder").collect();
    assert!(left.is_empty(), "left behind: {left:?}");
}

/// The number before or after a word of the summary.
fn number(summary: &str, name: &str) -> u64 {
    summary
        .split(", ")
        .find_map(|part| part.strip_prefix(name))
        .and_then(|rest| rest.trim().parse().ok())
        .unwrap_or_else(|| panic!("no '{name}' in '{summary}'"))
}

#[test]
fn a_hanging_engine_is_closed_by_the_will_and_nothing_stays_behind() {
    let temporary = tempfile::tempdir().expect("a folder");
    let mut demo = Demo::start(temporary.path(), &["--fault", "engine-hang"]);
    let children = ids(&demo.read_until("Broker is process"));
    assert_eq!(children.len(), 2);
    let status = demo.end();
    assert!(status.success(), "{status}:\n{}", demo.said);
    assert!(demo.said.contains("last will: close"), "{}", demo.said);
    let summary = demo.last_line();
    assert!(number(summary, "readings") > 100, "{summary}");
    assert_eq!((number(summary, "starts"), number(summary, "closes")), (1, 1));
    assert!(number(summary, "points stored") > 50, "{summary}");
    assert_gone(&children);
    assert_empty(temporary.path());
}

#[test]
fn ctrl_c_ends_it_cleanly_with_the_valve_closed() {
    let temporary = tempfile::tempdir().expect("a folder");
    let mut demo = Demo::start(temporary.path(), &[]);
    let children = ids(&demo.read_until("Broker is process"));
    demo.read_until("told the valve to open");
    kill_process(pid(demo.child.id()).expect("an id"), Signal::INT).expect("sent");
    let status = demo.end();
    assert!(status.success(), "{status}:\n{}", demo.said);
    assert!(demo.said.contains("The daemon has closed the valve and stopped."), "{}", demo.said);
    assert_eq!(number(demo.last_line(), "closes"), 1);
    assert_gone(&children);
    assert_empty(temporary.path());
}

#[test]
fn a_fault_that_did_not_come_to_its_effect_is_exit_1() {
    let temporary = tempfile::tempdir().expect("a folder");
    let mut demo =
        Demo::start(temporary.path(), &["--fault", "product-probe-stuck-at-zero", "--for", "3m"]);
    let children = ids(&demo.read_until("Broker is process"));
    let status = demo.end();
    assert_eq!(status.code(), Some(1), "{}", demo.said);
    assert!(demo.said.contains("before the fault had its stated effect"), "{}", demo.said);
    assert_gone(&children);
    assert_empty(temporary.path());
}
