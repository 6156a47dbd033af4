//! The bench page from outside: who may ask for what, what it shares with the commands, and what
//! is left of it when it is killed.
#![cfg(feature = "page")]
// What is skipped or counted is told.
#![allow(clippy::print_stdout)]

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::virtual_mic::VirtualMic;

const RINGS: &str = "fixtures/taps/hl1-monday.wav";
const CRACKED: &str = "fixtures/taps/hl1-deep-crack.wav";

pub fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// A page that is served; gone when dropped.
pub struct Served {
    child: Child,
    address: String,
    port: u16,
}

impl Served {
    pub fn begins(store: &Path, mic: Option<&VirtualMic>) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_fourtap"));
        command
            .args(["page", "--port", "0", "--store"])
            .arg(store)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null());
        if let Some(mic) = mic {
            command.envs(mic.environment());
        }
        let mut child = command.spawn().unwrap();
        let mut address = String::new();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        out.read_line(&mut address).unwrap();
        let address = address.trim().to_owned();
        let port = address.trim_end_matches('/').rsplit(':').next().unwrap();
        Self {
            port: port.parse().unwrap(),
            child,
            address,
        }
    }

    /// Number of the process.
    pub fn process(&self) -> u32 {
        self.child.id()
    }

    /// Sends bytes as they are; gives status and whole answer.
    fn raw(&self, request: &[u8]) -> (u16, String) {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(60)))
            .unwrap();
        stream.write_all(request).unwrap();
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        let answer = String::from_utf8_lossy(&answer).into_owned();
        let status = answer.split(' ').nth(1).and_then(|s| s.parse().ok());
        (status.unwrap_or(0), answer)
    }

    fn ask(&self, method: &str, path: &str, headers: &str, body: &str) -> (u16, String) {
        let host = format!("127.0.0.1:{}", self.port);
        let request = format!(
            "{method} {path} HTTP/1.1\r\nhost: {host}\r\nconnection: close\r\n{headers}content-length: {}\r\n\r\n{body}",
            body.len()
        );
        self.raw(request.as_bytes())
    }

    pub fn get(&self, path: &str) -> (u16, String) {
        self.ask("GET", path, "", "")
    }

    /// As a form of the page itself sends it.
    fn post(&self, path: &str, body: &str) -> (u16, String) {
        let headers = format!(
            "origin: http://127.0.0.1:{}\r\ncontent-type: application/x-www-form-urlencoded\r\n",
            self.port
        );
        self.ask("POST", path, &headers, body)
    }

    pub fn post_bytes(&self, path: &str, body: &[u8]) -> (u16, String) {
        let head = format!(
            "POST {path} HTTP/1.1\r\nhost: 127.0.0.1:{0}\r\nconnection: close\r\norigin: http://127.0.0.1:{0}\r\ncontent-length: {1}\r\n\r\n",
            self.port,
            body.len()
        );
        self.raw(&[head.as_bytes(), body].concat())
    }

    pub fn add_wheel(&self, id: &str) {
        let form = format!("id={id}&size=200x20x32&bond=vitrified&max_speed=3350rpm");
        assert_eq!(self.post("/wheels", &form).0, 303);
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

pub fn fourtap(store: &Path, args: &[&str]) -> String {
    let out = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(args)
        .arg("--store")
        .arg(store)
        .output()
        .unwrap();
    String::from_utf8_lossy(&out.stdout).into_owned()
}

#[test]
fn a_foreign_name_or_page_gets_nothing() {
    let store = tempfile::tempdir().unwrap();
    let page = Served::begins(store.path(), None);
    assert!(
        page.address.starts_with("http://127.0.0.1:"),
        "{}",
        page.address
    );
    assert_eq!(page.get("/").0, 200);
    page.add_wheel("W-1");
    // Another name that points here (rebinding): neither views nor data nor events.
    for path in [
        "/",
        "/wheels",
        "/records/export.jsonl",
        "/sound/events",
        "/assets/bench.css",
    ] {
        for host in [
            "evil.example",
            &format!("evil.example:{}", page.port),
            "127.0.0.1",
        ] {
            let request =
                format!("GET {path} HTTP/1.1\r\nhost: {host}\r\nconnection: close\r\n\r\n");
            let (status, answer) = page.raw(request.as_bytes());
            assert_eq!(status, 421, "{path} {host}");
            assert!(!answer.contains("W-1"), "{answer}");
        }
    }
    let none = page.raw(b"GET / HTTP/1.1\r\nconnection: close\r\n\r\n");
    assert!(none.0 == 421 || none.0 == 400, "{none:?}");
    // Another page that is open in the same browser: posts nothing.
    let form = "to=dropped&note=evil";
    for origin in ["http://evil.example", "null", "http://localhost:1"] {
        let headers =
            format!("origin: {origin}\r\ncontent-type: application/x-www-form-urlencoded\r\n");
        let (status, _) = page.ask("POST", "/wheels/W-1/state", &headers, form);
        assert_eq!(status, 403, "{origin}");
    }
    let plain = "content-type: text/plain\r\n";
    assert_eq!(page.ask("POST", "/wheels/W-1/state", plain, form).0, 403);
    assert!(page.get("/wheels/W-1").1.contains("in store"));
    assert!(!fourtap(store.path(), &["wheel", "show", "W-1"]).contains("dropped"));
    // And shows nothing of it.
    let inside = "sec-fetch-site: cross-site\r\nsec-fetch-mode: no-cors\r\n";
    assert_eq!(page.ask("GET", "/records/export.jsonl", inside, "").0, 403);
}

#[test]
fn every_answer_forbids_what_is_not_ours() {
    let store = tempfile::tempdir().unwrap();
    let page = Served::begins(store.path(), None);
    page.add_wheel("W-1");
    let views = [
        "/",
        "/sound",
        "/sound/prepare?wheel=W-1",
        "/wheels",
        "/wheels/new",
        "/wheels/W-1",
        "/wheels/W-1/edit",
        "/wheels/W-1/after",
        "/grinders",
        "/fit",
        "/lots?number=50",
        "/teach",
        "/records",
        "/records/verify",
        "/records/room",
        "/baselines",
        "/specifications",
        "/gauge",
        "/teach/recordings",
        "/settings",
        "/nothing",
        "/wheels/W-404",
    ];
    for view in views {
        let (status, answer) = page.get(view);
        assert!(status == 200 || status == 404, "{view}: {status}");
        let (head, body) = answer.split_once("\r\n\r\n").unwrap();
        let head = head.to_lowercase();
        for needed in [
            "content-security-policy: default-src 'none'; script-src 'self'",
            "x-content-type-options: nosniff",
            "x-frame-options: deny",
            "cross-origin-resource-policy: same-origin",
        ] {
            assert!(head.contains(needed), "{view} lacks {needed}");
        }
        // No script and no style in the page, which the policy would forbid, and nothing from elsewhere.
        assert!(
            !body.contains("<style") && !body.contains(" style="),
            "{view}"
        );
        assert!(
            !body.contains(" onclick=") && !body.contains("javascript:"),
            "{view}"
        );
        let outside = body.split(['"', '\'']).find(|w| w.starts_with("http"));
        assert_eq!(outside, None, "{view} points outside");
    }
}

#[test]
fn what_the_commands_do_the_page_does_too() {
    let store = tempfile::tempdir().unwrap();
    let page = Served::begins(store.path(), None);
    // A grinder is corrected; what it was stays in its history.
    let form = "id=G+1&kind=bench&speed=2950rpm&guard=200";
    assert_eq!(page.post("/grinders", form).0, 303);
    let form = "kind=bench&speed=2850rpm&guard=200";
    assert_eq!(page.post("/grinders/G%201/edit", form).0, 303);
    let (status, shown) = page.get("/grinders/G%201");
    assert_eq!(status, 200);
    assert!(
        shown.contains("2850rpm") && shown.contains("2950"),
        "{shown}"
    );
    let (status, refused) = page.post("/grinders/G%201/edit", "kind=bench&speed=fast");
    assert!(status == 422 && refused.contains("fast"), "{status}");
    assert_eq!(page.get("/grinders/G-404").0, 404);

    // Two versions of a baseline, one held against the other.
    page.add_wheel("W-1");
    let taps = fixture(RINGS).display().to_string();
    for recordings in [vec![&taps], vec![&taps]] {
        let mut args = vec!["baseline", "build", "--wheel", "W-1"];
        args.extend(recordings.iter().map(|r| r.as_str()));
        fourtap(store.path(), &args);
    }
    let (status, list) = page.get("/baselines");
    assert!(status == 200 && list.contains("W-1, version 2"), "{list}");
    let two = "/baselines?kind=wheel&first=W-1:1&second=W-1:2";
    let (status, text) = page.get(two);
    assert_eq!(status, 200, "{text}");
    assert!(
        text.contains("W-1, version 2 against W-1, version 1"),
        "{text}"
    );
    let missing = page.get("/baselines?kind=wheel&first=W-1:9&second=W-1:2");
    assert!((400..500).contains(&missing.0), "{}", missing.0);
    let own = page.post("/baselines/retire", "name=none&version=1&note=worn");
    assert!((400..500).contains(&own.0));

    // A record is shown, brought into another store, and its sound removed by a named person.
    let sound = std::fs::read(fixture(RINGS)).unwrap();
    let (status, answer) = page.post_bytes("/recordings?wheel=W-1&name=a.wav&plan=rule", &sound);
    assert_eq!(status, 200, "{answer}");
    let numbers: Vec<u64> = fourtap(store.path(), &["records", "list", "--json"])
        .lines()
        .filter_map(|l| serde_json::from_str::<serde_json::Value>(l).ok()?["number"].as_u64())
        .collect();
    let last = *numbers.last().unwrap();
    let (status, shown) = page.get(&format!("/records/{last}"));
    assert!(
        status == 200 && shown.contains("fourtap.sounding"),
        "{shown}"
    );
    // A record of another kind is no sounding (found by fuzzing: this was a fault of the program).
    assert_eq!(
        page.post(
            "/lots",
            "lot=L&number=50&size=200x20x32&bond=vitrified&level=II&aql=0.65&inspection=normal"
        )
        .0,
        303
    );
    let lot = last + 1;
    let other = page.get(&format!("/compare?a={last}&b={lot}"));
    assert_eq!(other.0, 404, "{}", other.1);
    let (_, lines) = page.get("/records/export.jsonl");
    let (_, lines) = lines.split_once("\r\n\r\n").unwrap();
    let other_store = tempfile::tempdir().unwrap();
    let other = Served::begins(other_store.path(), None);
    let (status, told) = other.post_bytes("/records/import?name=x.jsonl", lines.as_bytes());
    assert!(status == 200 && told.contains("1 wheels"), "{told}");
    assert!(other.get("/wheels/W-1").1.contains("W-1"));
    let damaged = lines.replacen("W-1", "W-2", 1);
    let third_store = tempfile::tempdir().unwrap();
    let third = Served::begins(third_store.path(), None);
    let refused = third.post_bytes("/records/import?name=x.jsonl", damaged.as_bytes());
    assert!((400..500).contains(&refused.0), "{}", refused.1);
    let junk = third.post_bytes("/records/import?name=x.jsonl", &sound);
    assert!((400..500).contains(&junk.0), "{}", junk.1);
    assert_eq!(third.get("/wheels/W-1").0, 404);

    let (_, plan) = page.get("/records/room?before=2999-01-01&baselines_too=1");
    assert!(
        plan.contains("recordings would go") && !plan.contains("0 recordings"),
        "{plan}"
    );
    let nobody = page.post("/records/prune", "before=2999-01-01&baselines_too=1");
    assert!((400..500).contains(&nobody.0));
    let done = page.post("/records/prune", "before=2999-01-01&baselines_too=1&by=Ana");
    assert_eq!(done.0, 303, "{}", done.1);
    let log = fourtap(store.path(), &["records", "list"]);
    assert!(log.lines().last().unwrap().contains("prun"), "{log}");

    // The recordings to demonstrate with are sounds that play.
    let (status, list) = page.get("/teach/recordings");
    assert!(status == 200 && list.contains("do not exist"), "{list}");
    let (status, wav) = page.get("/teach/recordings/0");
    assert!(status == 200 && wav.contains("audio/wav") && wav.contains("WAVE"));
    assert_eq!(page.get("/teach/recordings/99999").0, 404);
    assert_eq!(page.get("/teach/training?trainee=Nobody").0, 404);
}

/// The requests that `.ci/fuzz page` begins from: none is a fault of the program.
#[test]
fn requests_kept_from_fuzzing_are_answered() {
    let store = tempfile::tempdir().unwrap();
    let page = Served::begins(store.path(), None);
    let mut paths: Vec<PathBuf> = std::fs::read_dir(fixture("fixtures/broken/page"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    paths.sort();
    assert!(paths.len() > 20);
    for path in paths {
        let bytes = std::fs::read(&path).unwrap();
        let text = String::from_utf8(bytes[1..].to_vec()).unwrap();
        let (line, body) = text.split_once('\n').unwrap_or((&text, ""));
        let (method, target) = line.split_once(' ').unwrap();
        let kind = match bytes[0] % 3 {
            0 => "application/x-www-form-urlencoded",
            1 => "application/json",
            _ => "application/octet-stream",
        };
        let headers = format!(
            "origin: http://127.0.0.1:{}\r\ncontent-type: {kind}\r\n",
            page.port
        );
        let (status, answer) = page.ask(method, target, &headers, body);
        assert!((200..500).contains(&status), "{line}: {answer}");
    }
    assert_eq!(page.get("/").0, 200);
}

#[test]
fn no_path_of_a_request_reaches_the_disk() {
    let store = tempfile::tempdir().unwrap();
    let secret = store.path().parent().unwrap().join("fourtap-secret.wav");
    std::fs::write(&secret, "SECRET").unwrap();
    let page = Served::begins(store.path(), None);
    let attacks = [
        "/assets/../../Cargo.toml",
        "/assets/..%2f..%2fCargo.toml",
        "/assets/%2e%2e%2fbench.css",
        "/soundings/..%2f..%2fsettings.json",
        "/soundings/1/tap/1/..%2f..%2fsound.wav",
        "/wheels/..%2f..%2f..%2fetc%2fpasswd",
        "/lots/..%2fstore.sqlite",
        "/..%2fstore.sqlite",
        "//etc/passwd",
        "/soundings/18446744073709551616",
        "/soundings/-1",
        "/soundings/1/tap/0/sound.wav",
    ];
    for attack in attacks {
        let (status, answer) = page.get(attack);
        assert!((400..500).contains(&status), "{attack}: {status}");
        assert!(
            !answer.contains("SECRET") && !answer.contains("[package]"),
            "{attack}"
        );
    }
    let named = page.post("/sound/resume", "log=..%2F..%2Fetc%2Fpasswd");
    assert_eq!(named.0, 404, "{}", named.1);
    // A name that is a path becomes a name; the recording lies in the store only.
    let sound = std::fs::read(fixture(RINGS)).unwrap();
    let (status, answer) = page.post_bytes("/recordings?name=..%2F..%2Ffourtap-secret.wav", &sound);
    assert_eq!(status, 200, "{answer}");
    assert_eq!(std::fs::read_to_string(&secret).unwrap(), "SECRET");
    assert!(page.get("/soundings/1").1.contains("rings, not compared"));
    std::fs::remove_file(&secret).unwrap();
}

#[test]
fn what_is_sent_is_bounded_and_untrusted() {
    let store = tempfile::tempdir().unwrap();
    let page = Served::begins(store.path(), None);
    // A form that is far too long.
    let form = format!(
        "id=W-1&size=200x20x32&bond=vitrified&purpose={}",
        "x".repeat(200_000)
    );
    assert_eq!(page.post("/wheels", &form).0, 413);
    // No recording, an empty one, a cut one, a bomb of claims: refused, in words, and the page lives.
    let mut claims = std::fs::read(fixture(RINGS)).unwrap();
    claims.truncate(60);
    for (bytes, status) in [
        (b"hello".to_vec(), 422),
        (Vec::new(), 422),
        (claims, 422),
        (vec![0xff; 100_000], 422),
    ] {
        let (got, answer) = page.post_bytes("/recordings?name=x.wav", &bytes);
        assert_eq!(got, status, "{answer}");
        assert!(
            answer.contains("error") && !answer.contains("/tmp"),
            "{answer}"
        );
    }
    // Longer than is taken: refused while it comes, not after.
    let head = format!(
        "POST /recordings?name=x.wav HTTP/1.1\r\nhost: 127.0.0.1:{0}\r\norigin: http://127.0.0.1:{0}\r\ncontent-length: 4000000000\r\n\r\n",
        page.port
    );
    let mut stream = TcpStream::connect(("127.0.0.1", page.port)).unwrap();
    stream.write_all(head.as_bytes()).unwrap();
    let megabyte = vec![0_u8; 1 << 20];
    let sent = (0..400)
        .take_while(|_| stream.write_all(&megabyte).is_ok())
        .count();
    assert!(sent < 300, "{sent} MB were taken in");
    assert_eq!(page.get("/").0, 200);
    // Markup stays text.
    let evil = "%3Cscript%3Ealert(1)%3C%2Fscript%3E";
    let form = format!("id=W-2&size=200x20x32&bond=vitrified&purpose={evil}");
    assert_eq!(page.post("/wheels", &form).0, 303);
    let shown = page.get("/wheels/W-2").1;
    assert!(
        !shown.contains("<script>alert") && shown.contains("&lt;script&gt;"),
        "{shown}"
    );
    let search = page.get(&format!("/wheels?q={evil}")).1;
    assert!(!search.contains("<script>alert"), "{search}");
    let error = page.get(&format!("/wheels/{evil}")).1;
    assert!(!error.contains("<script>alert"), "{error}");
}

#[test]
fn commands_and_page_see_the_same_store_while_both_run() {
    let store = tempfile::tempdir().unwrap();
    let page = Served::begins(store.path(), None);
    let second = Served::begins(store.path(), None);
    fourtap(
        store.path(),
        &[
            "wheel",
            "add",
            "W-7",
            "--size",
            "200x20x32",
            "--bond",
            "vitrified",
        ],
    );
    assert!(page.get("/wheels").1.contains("W-7"));
    assert_eq!(
        page.post("/wheels/W-7/state", "to=dropped&note=from+the+bench")
            .0,
        303
    );
    assert!(second.get("/wheels/W-7").1.contains("dropped"));
    assert!(fourtap(store.path(), &["wheel", "show", "W-7"]).contains("from the bench"));
    let sound = std::fs::read(fixture(CRACKED)).unwrap();
    let (status, answer) =
        second.post_bytes("/recordings?name=a.wav&heard=ring,ring,thud,ring", &sound);
    assert_eq!(status, 200, "{answer}");
    assert!(page.get("/soundings/2").1.contains("sounds dead"));
    assert!(fourtap(store.path(), &["records", "list"]).contains("sounds dead"));
    assert!(
        page.get("/records/verify")
            .1
            .contains("2 records are as they were kept")
    );
    // A wrong word of the ear is refused, not guessed.
    let wrong = page.post_bytes("/recordings?name=a.wav&heard=rnig", &sound);
    assert_eq!(wrong.0, 422, "{}", wrong.1);
}

#[test]
fn a_player_can_seek() {
    let store = tempfile::tempdir().unwrap();
    let page = Served::begins(store.path(), None);
    let sound = std::fs::read(fixture(RINGS)).unwrap();
    assert_eq!(page.post_bytes("/recordings?name=a.wav", &sound).0, 200);
    let path = "/soundings/1/tap/1/sound.wav";
    let (status, whole) = page.get(path);
    assert_eq!(status, 200);
    assert!(whole.contains("audio/wav") && whole.contains("RIFF"));
    for (range, want, says) in [
        ("bytes=0-3", 206, "content-range: bytes 0-3/"),
        ("bytes=100-", 206, "content-range: bytes 100-"),
        ("bytes=-4", 206, "content-range: bytes "),
        ("bytes=999999999-", 416, "content-range: bytes */"),
        ("bytes=5-2", 416, "content-range: bytes */"),
        ("bytes=-", 416, "content-range: bytes */"),
    ] {
        let (status, answer) = page.ask("GET", path, &format!("range: {range}\r\n"), "");
        assert_eq!(status, want, "{range}");
        assert!(answer.to_lowercase().contains(says), "{range}: {answer}");
    }
    // Each picture is a whole SVG.
    for picture in [
        "spectrum.svg",
        "face.svg",
        "waveform/1.svg",
        "tap/1/decay.svg",
        "tap/4/over-time.svg",
    ] {
        let (status, answer) = page.get(&format!("/soundings/1/{picture}"));
        assert_eq!(status, 200, "{picture}");
        assert!(
            answer.contains("<svg") && answer.trim_end().ends_with("</svg>"),
            "{picture}"
        );
    }
    assert_eq!(page.get("/soundings/1/tap/5/sound.wav").0, 404);
}

fn samples_of(name: &str) -> Vec<f64> {
    use fourtap::audio::{Input, Recording, Source as _};
    let recording = Recording::open(&Input::Path(fixture(name))).unwrap();
    assert_eq!(recording.rate.get(), 48_000);
    let mut player = recording.play(0).unwrap();
    let mut all = Vec::new();
    while let Some(chunk) = player.next_chunk().unwrap() {
        all.extend(chunk.samples);
    }
    all
}

/// Waits for an event whose text holds the words.
fn until(page: &Served, words: &str) -> bool {
    let mut stream = TcpStream::connect(("127.0.0.1", page.port)).unwrap();
    stream
        .set_read_timeout(Some(Duration::from_millis(300)))
        .unwrap();
    let request = format!(
        "GET /sound/events HTTP/1.1\r\nhost: 127.0.0.1:{}\r\n\r\n",
        page.port
    );
    stream.write_all(request.as_bytes()).unwrap();
    let (begin, mut all, mut part) = (Instant::now(), String::new(), [0; 65_536]);
    while begin.elapsed() < Duration::from_secs(40) {
        if let Ok(n) = stream.read(&mut part) {
            all.push_str(&String::from_utf8_lossy(&part[..n]));
        }
        if all.contains(words) {
            return true;
        }
    }
    false
}

#[test]
fn a_page_that_is_killed_in_the_middle_goes_on_where_it_was() {
    let mic = match VirtualMic::on_a_pipe(samples_of(RINGS), false) {
        Ok(mic) => mic,
        Err(why) => return println!("skipped: {why}"),
    };
    let store = tempfile::tempdir().unwrap();
    let mut page = Served::begins(store.path(), Some(&mic));
    page.add_wheel("HL-1");
    let begun = page.post(
        "/sound/begin",
        "wheel=HL-1&power=yes&seen=yes&dry=yes&by=Ada",
    );
    assert_eq!(begun.0, 303, "{}", begun.1);
    // One at a time.
    assert_eq!(page.post("/sound/begin", "wheel=HL-1").0, 409);
    assert!(until(&page, "\"order\":\"mark (M) at the top"));
    mic.play();
    assert!(until(&page, "\"asking\":0"));
    let origin = format!(
        "origin: http://127.0.0.1:{}\r\ncontent-type: application/json\r\n",
        page.port
    );
    // Nonsense is refused.
    assert_eq!(
        page.ask("POST", "/sound/word", &origin, "{\"word\":\"boo\"}")
            .0,
        422
    );
    assert_eq!(
        page.ask("POST", "/sound/word", &origin, "{\"word\":\"ring\"}")
            .0,
        204
    );
    assert!(until(&page, "\"reading\":\"clear ring\""));
    // The level comes 20 times a second or more: counted over two seconds.
    let mut stream = TcpStream::connect(("127.0.0.1", page.port)).unwrap();
    let request = format!(
        "GET /sound/events HTTP/1.1\r\nhost: 127.0.0.1:{}\r\n\r\n",
        page.port
    );
    stream.write_all(request.as_bytes()).unwrap();
    stream
        .set_read_timeout(Some(Duration::from_millis(50)))
        .unwrap();
    let (begin, mut seen, mut part) = (Instant::now(), String::new(), [0; 65_536]);
    while begin.elapsed() < Duration::from_secs(2) {
        if let Ok(n) = stream.read(&mut part) {
            seen.push_str(&String::from_utf8_lossy(&part[..n]));
        }
    }
    let levels = seen.matches("event: level").count();
    println!("{levels} levels in two seconds");
    assert!(levels >= 40, "{levels} levels in two seconds");
    page.child.kill().unwrap();
    page.child.wait().unwrap();
    let again = Served::begins(store.path(), Some(&mic));
    let home = again.get("/").1;
    assert!(
        home.contains("was cut off") && home.contains("of wheel HL-1"),
        "{home}"
    );
    let log = home
        .split("name=\"log\" value=\"")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap();
    assert!(log.ends_with("live-log.jsonl"), "{log}");
    let resumed = again.post("/sound/resume", &format!("log={log}"));
    assert_eq!(resumed.0, 303, "{}", resumed.1);
    // The first tap has its word, and the rest is asked for.
    assert!(until(&again, "going on with the sounding of HL-1"));
    let origin = format!(
        "origin: http://127.0.0.1:{}\r\ncontent-type: application/json\r\n",
        again.port
    );
    assert_eq!(
        again
            .ask("POST", "/sound/word", &origin, "{\"word\":\"stop\"}")
            .0,
        204
    );
    assert!(until(&again, "kept as sounding 1"));
    let kept = fourtap(store.path(), &["records", "show", "1", "--json"]);
    let kept: serde_json::Value = serde_json::from_str(&kept).unwrap();
    assert_eq!(kept["wheel"], "HL-1");
    assert_eq!(kept["taps"][0]["heard"], "ring");
    assert_eq!(kept["taps"][0]["reading"], "clear ring");
    assert_eq!(kept["outcome"], "sound it again");
}
