//! Requests to the bench page, which runs in this process over a store of its own: no request may
//! bring it down or be answered with a fault of the program.
#![no_main]

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::sync::OnceLock;
use std::sync::mpsc::channel;
use std::time::Duration;

use fourtap::page::PageServer;

/// The port of the page, begun with the first request.
fn port() -> u16 {
    static PORT: OnceLock<u16> = OnceLock::new();
    *PORT.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a folder for the store").keep();
        let server = PageServer::bind(folder, 0).expect("a page");
        let address = server.address();
        let port = address.trim_end_matches('/').rsplit(':').next();
        let port = port.and_then(|p| p.parse().ok()).expect("a port");
        std::thread::spawn(move || {
            let (_stop, stopped) = channel();
            server.serve(stopped).expect("serves until the end");
        });
        port
    })
}

// The first line of the input is method and target, what follows is the body. Headers that the guard
// asks for are right for one half of the inputs, so that what lies behind it is reached.
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let Some((first, rest)) = bytes.split_first() else {
        return;
    };
    let end = rest.iter().position(|b| *b == b'\n').unwrap_or(rest.len());
    let (line, body) = rest.split_at(end);
    let body = body.get(1..).unwrap_or(&[]);
    let port = port();
    let mut head = line.to_vec();
    head.extend_from_slice(b" HTTP/1.1\r\nconnection: close\r\n");
    let own = format!("127.0.0.1:{port}");
    if first % 8 == 0 {
        head.extend_from_slice(b"host: elsewhere\r\norigin: http://elsewhere\r\n");
    } else {
        head.extend_from_slice(format!("host: {own}\r\norigin: http://{own}\r\n").as_bytes());
    }
    let kind = match first % 3 {
        0 => "application/x-www-form-urlencoded",
        1 => "application/json",
        _ => "application/octet-stream",
    };
    let length = body.len();
    head.extend_from_slice(format!("content-type: {kind}\r\ncontent-length: {length}\r\n\r\n").as_bytes());
    head.extend_from_slice(body);
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("the page listens");
    stream
        .set_read_timeout(Some(Duration::from_secs(10)))
        .expect("a timeout");
    if stream.write_all(&head).is_err() {
        return;
    }
    // Events never end: the first piece of an answer tells its status.
    let mut answer = [0; 64];
    let many = stream.read(&mut answer).unwrap_or(0);
    let status = String::from_utf8_lossy(&answer[..many]).into_owned();
    let status = status.split(' ').nth(1).and_then(|s| s.parse::<u16>().ok());
    assert!(
        status.is_none_or(|s| s < 500 || s == 503),
        "{status:?} to {:?}",
        String::from_utf8_lossy(bytes)
    );
});
