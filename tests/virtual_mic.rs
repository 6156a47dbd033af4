//! A microphone made of software, that the sound library takes for one: ALSA's `file` plugin on a
//! pipe (sample by sample what is fed in), or a private PulseAudio daemon with a pipe source (which
//! can be pulled out). No sound card, no root, no system daemon.

use std::fs::OpenOptions;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Frames of one write. The file plugin fills a short read with stale samples, so each write is a
/// whole period of the reader and small enough (4096 bytes) to be atomic.
const PERIOD: usize = 240;
const RATE_HZ: f64 = 48_000.0;

#[derive(Clone, Copy, PartialEq)]
enum Form {
    /// What cpal asks the file plugin for by default.
    F32Stereo,
    /// What the pipe source is told.
    I16Mono,
}

/// The microphone; it is gone when this is dropped.
pub struct VirtualMic {
    folder: tempfile::TempDir,
    daemon: Option<Child>,
    stop: Arc<AtomicBool>,
    play: Arc<AtomicBool>,
}

impl VirtualMic {
    /// A microphone on a pipe; none, with the reason, where the system lacks something. It
    /// delivers faint hiss, or zeros if `silent`, and the samples of `sound` once
    /// [`VirtualMic::play`] is called.
    pub fn on_a_pipe(sound: Vec<f64>, silent: bool) -> Result<Self, String> {
        let mic = Self::new()?;
        let made = Command::new("mkfifo").arg(mic.pipe()).status();
        if !made.is_ok_and(|s| s.success()) {
            return Err("mkfifo makes no pipe".to_owned());
        }
        let config = format!(
            "pcm.!default {{ type file slave.pcm {{ type null }} file /dev/null infile \"{}\" \
             format raw hint {{ show on description \"Virtual microphone\" }} }}\n",
            mic.pipe().display()
        );
        std::fs::write(mic.config(), config).unwrap();
        mic.feed(Form::F32Stereo, sound, silent);
        Ok(mic)
    }

    /// A microphone of a private sound daemon; none, with the reason, where there is no such
    /// daemon to be had.
    pub fn of_a_daemon(sound: Vec<f64>) -> Result<Self, String> {
        Self::begin_daemon(sound, None)
    }

    /// The same with a second microphone, called Spare, that delivers a sound of its own; the
    /// first is called Bench. Once [`VirtualMic::play`] is called both play.
    pub fn two_of_a_daemon(sound: Vec<f64>, spare: Vec<f64>) -> Result<Self, String> {
        Self::begin_daemon(sound, Some(spare))
    }

    fn begin_daemon(sound: Vec<f64>, spare: Option<Vec<f64>>) -> Result<Self, String> {
        for program in ["pulseaudio", "pactl"] {
            let found = Command::new(program).arg("--version").output();
            found.map_err(|_| format!("{program} is not installed"))?;
        }
        let mut mic = Self::new()?;
        let folder = mic.folder.path().to_owned();
        let socket = folder.join("native");
        let script = format!(
            "load-module module-native-protocol-unix socket={} auth-anonymous=1\n\
             load-module module-pipe-source source_name=vmic file={} format=s16le rate=48000 \
             channels=1 channel_map=mono\nset-default-source vmic\n",
            socket.display(),
            mic.pipe().display()
        );
        let spare_pipe = folder.join("spare.fifo");
        let script = match &spare {
            None => script,
            Some(_) => format!(
                "{script}load-module module-pipe-source source_name=vspare file={} format=s16le \
                 rate=48000 channels=1 channel_map=mono\n",
                spare_pipe.display()
            ),
        };
        let start = folder.join("start.pa");
        std::fs::write(&start, script).unwrap();
        // With shared memory a client can hang for ever when the daemon is killed.
        let client = "autospawn = no\nenable-shm = no\n";
        std::fs::write(folder.join("client.conf"), client).unwrap();
        let config = "pcm.!default { type pulse hint { show on description \"Virtual microphone\" } }\n\
                      ctl.!default { type pulse }\n";
        let named = "pcm.bench { type pulse device vmic hint { show on description \"Bench\" } }\n\
                     pcm.spare { type pulse device vspare hint { show on description \"Spare\" } }\n";
        let config = if spare.is_some() {
            format!("{config}{named}")
        } else {
            config.to_owned()
        };
        std::fs::write(mic.config(), config).unwrap();
        let daemon = Command::new("pulseaudio")
            .args(["-n", "-F"])
            .arg(&start)
            .args(["--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no"])
            .args(["--realtime=no", "--high-priority=no", "--log-level=error"])
            .envs(mic.environment())
            .env("HOME", &folder)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|e| format!("pulseaudio does not start: {e}"))?;
        mic.daemon = Some(daemon);
        let begin = Instant::now();
        while begin.elapsed() < Duration::from_secs(15) {
            // The module makes the pipe, and refuses one that is there already.
            if mic.pipe().exists() && mic.pactl(&["info"]) {
                mic.feed(Form::I16Mono, sound, false);
                if let Some(spare) = spare {
                    let (stop, play) = (Arc::clone(&mic.stop), Arc::clone(&mic.play));
                    std::thread::spawn(move || {
                        feed(&spare_pipe, Form::I16Mono, &spare, false, &stop, &play);
                    });
                }
                return Ok(mic);
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        Err("pulseaudio does not answer".to_owned())
    }

    fn new() -> Result<Self, String> {
        if !Path::new("/usr/share/alsa/alsa.conf").is_file() {
            return Err("the sound library's configuration is not installed".to_owned());
        }
        Ok(Self {
            folder: tempfile::tempdir().unwrap(),
            daemon: None,
            stop: Arc::new(AtomicBool::new(false)),
            play: Arc::new(AtomicBool::new(false)),
        })
    }

    fn feed(&self, form: Form, sound: Vec<f64>, silent: bool) {
        let (pipe, stop, play) = (self.pipe(), Arc::clone(&self.stop), Arc::clone(&self.play));
        std::thread::spawn(move || feed(&pipe, form, &sound, silent, &stop, &play));
    }

    fn pipe(&self) -> PathBuf {
        self.folder.path().join("mic.fifo")
    }

    fn config(&self) -> PathBuf {
        self.folder.path().join("asound.conf")
    }

    /// What a program needs to find this microphone, and no other.
    pub fn environment(&self) -> Vec<(&'static str, String)> {
        let folder = self.folder.path().display();
        vec![
            (
                "ALSA_CONFIG_PATH",
                format!("/usr/share/alsa/alsa.conf:{}", self.config().display()),
            ),
            ("XDG_RUNTIME_DIR", folder.to_string()),
            ("PULSE_CLIENTCONFIG", format!("{folder}/client.conf")),
            ("PULSE_SERVER", format!("unix:{folder}/native")),
        ]
    }

    /// Plays the sound from its start.
    pub fn play(&self) {
        self.play.store(true, Ordering::Relaxed);
    }

    /// Takes the microphone out of the daemon.
    pub fn unplug(&self) {
        assert!(self.pactl(&["unload-module", &self.first_source()]));
    }

    /// Number of the module of the first source.
    fn first_source(&self) -> String {
        let list = Command::new("pactl")
            .args(["list", "short", "modules"])
            .envs(self.environment())
            .output()
            .unwrap();
        let list = String::from_utf8_lossy(&list.stdout).into_owned();
        let line = list.lines().find(|l| l.contains("source_name=vmic"));
        line.unwrap().split_whitespace().next().unwrap().to_owned()
    }

    fn pactl(&self, args: &[&str]) -> bool {
        Command::new("pactl")
            .args(args)
            .envs(self.environment())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()
            .is_ok_and(|s| s.success())
    }
}

impl Drop for VirtualMic {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(mut daemon) = self.daemon.take() {
            let _ = daemon.kill();
            let _ = daemon.wait();
        }
    }
}

/// Writes hiss, then the sound once it is wanted, then hiss again, by the clock.
fn feed(
    pipe: &Path,
    form: Form,
    sound: &[f64],
    silent: bool,
    stop: &AtomicBool,
    play: &AtomicBool,
) {
    // Open for both, so that neither opening nor a reader that goes away ends it.
    let open = OpenOptions::new().read(true).write(true).open(pipe);
    let Ok(mut pipe) = open else {
        return;
    };
    let (mut at, mut hiss) = (0, 1u32);
    let mut due = Instant::now();
    while !stop.load(Ordering::Relaxed) {
        let mut bytes = Vec::with_capacity(4096);
        let playing = play.load(Ordering::Relaxed);
        for _ in 0..PERIOD {
            hiss = hiss.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            // Some -84 dB of full scale.
            let faint = if silent {
                0.0
            } else {
                1e-4 * (f64::from(hiss >> 16) / 32_768.0 - 1.0)
            };
            let x = match sound.get(at) {
                Some(x) if playing => {
                    at += 1;
                    *x
                }
                _ => faint,
            };
            match form {
                Form::F32Stereo => (0..2).for_each(|_| bytes.extend((x as f32).to_le_bytes())),
                Form::I16Mono => bytes.extend(((x * 32_768.0).round() as i16).to_le_bytes()),
            }
        }
        if pipe.write_all(&bytes).is_err() {
            return;
        }
        due = (due + Duration::from_secs_f64(PERIOD as f64 / RATE_HZ))
            .max(Instant::now() - Duration::from_millis(250));
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
    }
}
