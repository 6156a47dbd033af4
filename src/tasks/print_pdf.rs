//! A page as PDF, by a browser that is installed: it prints the same page that people see.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Browsers that print without a window, by the names of their programs.
const BROWSERS: [&str; 6] = [
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "microsoft-edge",
    "msedge",
];
/// A page is printed in some seconds; a browser that hangs is ended.
const PATIENCE: Duration = Duration::from_secs(90);

/// Why there is no PDF.
#[derive(Debug, thiserror::Error)]
pub enum PdfError {
    /// No browser is there.
    #[error(
        "no browser that prints by itself is installed (Chromium, Chrome or Edge): write the page as .html and print it from any browser"
    )]
    NoBrowser,
    /// The browser failed.
    #[error("{browser} printed nothing: write the page as .html and print it from any browser")]
    Nothing {
        /// Its program.
        browser: String,
    },
    /// A file.
    #[error(transparent)]
    File(#[from] std::io::Error),
}

/// Prints a self-contained page of HTML into a file at `path`, which is put in its place whole.
///
/// # Errors
/// [`PdfError`]; nothing is left at `path` that was not there before.
pub fn print_pdf(html: &str, path: &Path) -> Result<(), PdfError> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
    let passing = tempfile::tempdir()?;
    let page = passing.path().join("page.html");
    std::fs::write(&page, html)?;
    let made = passing.path().join("page.pdf");
    let browser = BROWSERS
        .into_iter()
        .find(|b| is_there(b))
        .ok_or(PdfError::NoBrowser)?;
    let nothing = || PdfError::Nothing {
        browser: browser.to_owned(),
    };
    let mut command = Command::new(browser);
    command.args([
        "--headless",
        "--disable-gpu",
        "--no-first-run",
        "--disable-sync",
    ]);
    command.args(["--disable-background-networking", "--no-pdf-header-footer"]);
    // Chromium refuses its sandbox to root; the page is our own and has no script.
    if is_root() {
        command.arg("--no-sandbox");
    }
    command.arg(option("--user-data-dir", &passing.path().join("profile")));
    command.arg(option("--print-to-pdf", &made));
    command.arg(&page);
    command
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    let mut child = command.spawn()?;
    let begin = Instant::now();
    while child.try_wait()?.is_none() {
        if begin.elapsed() > PATIENCE {
            let _ = child.kill();
            let _ = child.wait();
            return Err(nothing());
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    let bytes = std::fs::read(&made).map_err(|_| nothing())?;
    if !bytes.starts_with(b"%PDF") {
        return Err(nothing());
    }
    let mut file = tempfile::NamedTempFile::new_in(folder.unwrap_or(Path::new(".")))?;
    std::io::Write::write_all(&mut file, &bytes)?;
    file.as_file().sync_all()?;
    file.persist(path).map_err(|e| e.error)?;
    Ok(())
}

fn option(name: &str, value: &Path) -> std::ffi::OsString {
    let mut option = std::ffi::OsString::from(name);
    option.push("=");
    option.push(value);
    option
}

fn is_there(program: &str) -> bool {
    let paths = std::env::var_os("PATH").unwrap_or_default();
    let with_ending = format!("{program}{}", std::env::consts::EXE_SUFFIX);
    std::env::split_paths(&paths).any(|p: PathBuf| p.join(&with_ending).is_file())
}

/// True for the user whom Chromium refuses its sandbox.
fn is_root() -> bool {
    cfg!(unix) && std::env::var_os("HOME").is_some_and(|h| h == *"/root")
}
