//! The language of case files, and its reader.
//!
//! One instruction a line; `#` begins a comment; words with spaces go in
//! quotes, in which `\e` is Escape, `\r` Return, `\"` a quote, `\\` a backslash.
//! Bytes are two hexadecimal digits. Times are `200ms` or `2s`. Every wait has
//! a deadline, 10 s unless `within TIME` says otherwise. `PORT` is a device's
//! name, with `:2` for its second port.
//!
//! ```text
//! case "what it shows"              required, first
//! must-fail "TEXT"                  the case passes if it fails with TEXT in the reason
//!
//! device NAME vendor 1209 product 0001 serial A label "Lab Keys" [ports 2] [absent]
//!                                   makes a device and plugs it in, unless `absent`
//! unplug NAME / plug NAME           pulls the cable, puts it back
//! power-off NAME                    pulls the cable, and what sounded in it is silent
//! connect FROM TO                   a sequencer connection in the kernel, for the self-test
//!
//! start ARGUMENTS                   runs `segue ARGUMENTS` without a terminal
//! screen 30x100 ARGUMENTS           runs it in a terminal of 30 rows, 100 columns
//! program PATH                      in place of `segue`, for the self-test
//! type "KEYS"                       presses keys of that terminal
//! wait log "TEXT"                   for the next line with TEXT
//! wait screen "TEXT" ["TEXT"]       until one row has all of these, in order
//! wait no-screen "TEXT" ["TEXT"]    until no row has
//! wait restored                     until the terminal is as it was found
//! wait end                          until the program has ended, with status 0
//! stop                              asks it to end (SIGTERM) and does the same
//! kill                              ends it without asking
//!
//! send PORT [N times] BYTES         plays bytes at the far side, as they are
//! expect PORT [N times] BYTES       the next messages are exactly these
//! skip PORT                         passes over what has arrived
//! skip PORT until BYTES             passes over messages up to and with this one
//! expect-none PORT TIME             nothing arrives in this time
//! expect-balanced PORT              every note has ended, every pedal is up
//! repeat N / again                  plays the lines between N times
//! pause TIME                        part of the playing; never a way to wait for a result
//! ```
//!
//! Bytes may be written over several lines: `expect rack <<` opens, a line
//! with `>>` closes. Messages are compared whole, with their full status, since
//! USB-MIDI leaves running status to the kernel. When a case ends, a message
//! that nobody expected or skipped fails it, at every device.

use std::collections::VecDeque;
use std::time::Duration;

use crate::device::DeviceSpec;
use crate::midi::{Message, split};

/// A case file, read.
#[derive(Debug)]
pub struct Case {
    pub title: String,
    pub must_fail: Option<String>,
    pub steps: Vec<Step>,
}

/// One instruction and the line it stands on.
#[derive(Clone, Debug)]
pub struct Step {
    pub line: usize,
    pub action: Action,
}

/// A port of a device, by the device's name; ports count from 0 inside.
#[derive(Clone, Debug, PartialEq)]
pub struct PortName {
    pub device: String,
    pub port: usize,
}

/// What an instruction does.
#[derive(Clone, Debug, PartialEq)]
pub enum Action {
    Device {
        spec: DeviceSpec,
        plugged: bool,
    },
    Unplug(String),
    Plug(String),
    PowerOff(String),
    Connect {
        from: PortName,
        to: PortName,
    },
    Program(String),
    Start {
        arguments: Vec<String>,
    },
    Screen {
        rows: usize,
        columns: usize,
        arguments: Vec<String>,
    },
    Type(String),
    WaitLog {
        text: String,
        within: Duration,
    },
    WaitScreen {
        texts: Vec<String>,
        within: Duration,
    },
    WaitNoScreen {
        texts: Vec<String>,
        within: Duration,
    },
    WaitRestored {
        within: Duration,
    },
    WaitEnd {
        within: Duration,
    },
    Stop {
        within: Duration,
    },
    Kill,
    Send {
        to: PortName,
        bytes: Vec<u8>,
        within: Duration,
    },
    Expect {
        at: PortName,
        messages: Vec<Message>,
        within: Duration,
    },
    Skip {
        at: PortName,
    },
    SkipUntil {
        at: PortName,
        message: Message,
        within: Duration,
    },
    ExpectNone {
        at: PortName,
        span: Duration,
    },
    ExpectBalanced {
        at: PortName,
        within: Duration,
    },
    Pause(Duration),
}

impl Case {
    /// Reads a case file; an error names the line.
    pub fn read(text: &str) -> Result<Self, String> {
        let mut case = Self {
            title: String::new(),
            must_fail: None,
            steps: Vec::new(),
        };
        let mut repeat = None;
        for (line, words) in instructions(text)? {
            let mut words = Words::new(words);
            let fault = |error: String| format!("line {line}: {error}");
            match words.next().map_err(fault)?.as_str() {
                "case" => case.title = words.next().map_err(fault)?,
                "must-fail" => case.must_fail = Some(words.next().map_err(fault)?),
                "repeat" => {
                    let times = words.next().and_then(|word| number(&word)).map_err(fault)?;
                    repeat = Some((times, case.steps.len()));
                }
                "again" => {
                    let missing = || fault("there is no `repeat` before it".into());
                    let (times, first) = repeat.take().ok_or_else(missing)?;
                    let block = case.steps.split_off(first);
                    case.steps.extend((0..times).flat_map(|_| block.clone()));
                }
                verb => {
                    let action = words.action(verb).map_err(fault)?;
                    case.steps.push(Step { line, action });
                }
            }
            words.end().map_err(fault)?;
        }
        if repeat.is_some() {
            return Err("a `repeat` has no `again`".into());
        }
        if case.title.is_empty() || case.steps.is_empty() {
            return Err("a case needs a title and steps".into());
        }
        Ok(case)
    }
}

/// The words of one instruction; options are taken out wherever they stand.
struct Words {
    rest: VecDeque<String>,
    within: Option<String>,
    verb_takes_within: bool,
}

impl Words {
    fn new(mut words: Vec<String>) -> Self {
        let free_text = matches!(words.first().map(String::as_str), Some("start" | "screen"));
        let at = words
            .iter()
            .position(|word| word == "within")
            .filter(|_| !free_text);
        let within = at.filter(|at| at + 1 < words.len()).map(|at| {
            let time = words.remove(at + 1);
            words.remove(at);
            time
        });
        Self {
            rest: words.into(),
            within,
            verb_takes_within: false,
        }
    }

    fn action(&mut self, verb: &str) -> Result<Action, String> {
        Ok(match verb {
            "device" => self.device()?,
            "unplug" => Action::Unplug(self.next()?),
            "plug" => Action::Plug(self.next()?),
            "power-off" => Action::PowerOff(self.next()?),
            "connect" => Action::Connect {
                from: self.port()?,
                to: self.port()?,
            },
            "program" => Action::Program(self.next()?),
            "start" => Action::Start {
                arguments: self.rest(),
            },
            "screen" => {
                let size = self.next()?;
                let (rows, columns) = size.split_once('x').ok_or("a size is ROWSxCOLUMNS")?;
                let (rows, columns) = (number(rows)?, number(columns)?);
                Action::Screen {
                    rows,
                    columns,
                    arguments: self.rest(),
                }
            }
            "type" => Action::Type(self.next()?),
            "wait" => self.wait()?,
            "stop" => Action::Stop {
                within: self.within()?,
            },
            "kill" => Action::Kill,
            "send" => Action::Send {
                to: self.port()?,
                bytes: self.bytes()?,
                within: self.within()?,
            },
            "expect" => Action::Expect {
                at: self.port()?,
                messages: split(&self.bytes()?),
                within: self.within()?,
            },
            "skip" => self.skip()?,
            "expect-none" => Action::ExpectNone {
                at: self.port()?,
                span: time(&self.next()?)?,
            },
            "expect-balanced" => Action::ExpectBalanced {
                at: self.port()?,
                within: self.within()?,
            },
            "pause" => Action::Pause(time(&self.next()?)?),
            other => return Err(format!("unknown instruction `{other}`")),
        })
    }

    fn device(&mut self) -> Result<Action, String> {
        let name = self.next()?;
        let mut spec = DeviceSpec {
            label: name.clone(),
            name,
            vendor: 0,
            product: 0,
            serial: String::new(),
            ports: 1,
        };
        let mut plugged = true;
        while let Some(word) = self.rest.pop_front() {
            match word.as_str() {
                "vendor" => spec.vendor = hex_number(&self.next()?)?,
                "product" => spec.product = hex_number(&self.next()?)?,
                "serial" => spec.serial = self.next()?,
                "label" => spec.label = self.next()?,
                "ports" => spec.ports = number(&self.next()?)?,
                "absent" => plugged = false,
                other => return Err(format!("a device has no `{other}`")),
            }
        }
        if spec.vendor == 0 || spec.serial.is_empty() {
            return Err("a device needs a vendor and a serial".into());
        }
        Ok(Action::Device { spec, plugged })
    }

    fn wait(&mut self) -> Result<Action, String> {
        let within = self.within()?;
        Ok(match self.next()?.as_str() {
            "log" => Action::WaitLog {
                text: self.next()?,
                within,
            },
            "screen" => Action::WaitScreen {
                texts: self.texts()?,
                within,
            },
            "no-screen" => Action::WaitNoScreen {
                texts: self.texts()?,
                within,
            },
            "restored" => Action::WaitRestored { within },
            "end" => Action::WaitEnd { within },
            other => return Err(format!("nobody can wait for `{other}`")),
        })
    }

    fn skip(&mut self) -> Result<Action, String> {
        let at = self.port()?;
        if self.rest.is_empty() {
            return Ok(Action::Skip { at });
        }
        if self.next()? != "until" {
            return Err("skip PORT, or skip PORT until BYTES".into());
        }
        let mut messages = split(&self.bytes()?);
        match (messages.pop(), messages.is_empty()) {
            (Some(message), true) => Ok(Action::SkipUntil {
                at,
                message,
                within: self.within()?,
            }),
            _ => Err("skip goes until one message".into()),
        }
    }

    fn port(&mut self) -> Result<PortName, String> {
        let word = self.next()?;
        let Some((device, port)) = word.split_once(':') else {
            return Ok(PortName {
                device: word,
                port: 0,
            });
        };
        let port = number(port)?.checked_sub(1).ok_or("ports count from 1")?;
        Ok(PortName {
            device: device.to_owned(),
            port,
        })
    }

    /// `[N times] BYTES`
    fn bytes(&mut self) -> Result<Vec<u8>, String> {
        let mut times = 1;
        if self.rest.get(1).is_some_and(|word| word == "times") {
            times = number(&self.next()?)?;
            self.next()?;
        }
        let bytes: Vec<u8> = self
            .rest()
            .iter()
            .map(|word| byte(word))
            .collect::<Result<_, _>>()?;
        if bytes.is_empty() {
            return Err("bytes are missing".into());
        }
        Ok(bytes.repeat(times))
    }

    fn texts(&mut self) -> Result<Vec<String>, String> {
        let texts = self.rest();
        if texts.is_empty() {
            Err("a text is missing".into())
        } else {
            Ok(texts)
        }
    }

    fn within(&mut self) -> Result<Duration, String> {
        self.verb_takes_within = true;
        self.within.as_deref().map_or(Ok(PATIENCE), time)
    }

    fn next(&mut self) -> Result<String, String> {
        self.rest
            .pop_front()
            .ok_or_else(|| "a word is missing".to_owned())
    }

    fn rest(&mut self) -> Vec<String> {
        std::mem::take(&mut self.rest).into()
    }

    fn end(&self) -> Result<(), String> {
        match self.rest.front() {
            Some(word) => Err(format!("`{word}` is too much")),
            None if self.within.is_some() && !self.verb_takes_within => {
                Err("nothing is waited for here, so `within` says nothing".into())
            }
            None => Ok(()),
        }
    }
}

/// Lines cut into words, with the lines of a `<<` block joined to their first.
fn instructions(text: &str) -> Result<Vec<(usize, Vec<String>)>, String> {
    let mut out: Vec<(usize, Vec<String>)> = Vec::new();
    let mut in_block = false;
    for (at, line) in text.lines().enumerate() {
        let mut words = cut(line).map_err(|error| format!("line {}: {error}", at + 1))?;
        let closes = words == [">>"];
        let opens = words.last().is_some_and(|word| word == "<<");
        match (in_block, out.last_mut()) {
            (true, _) if closes => in_block = false,
            (true, Some((_, block))) => block.append(&mut words),
            _ => {
                if opens {
                    words.pop();
                    in_block = true;
                }
                if !words.is_empty() {
                    out.push((at + 1, words));
                }
            }
        }
    }
    if in_block {
        Err("a `<<` is not closed".into())
    } else {
        Ok(out)
    }
}

/// A line as words, without its comment.
fn cut(line: &str) -> Result<Vec<String>, String> {
    let mut words = Vec::new();
    let mut letters = line.chars().peekable();
    while let Some(&letter) = letters.peek() {
        match letter {
            '#' => break,
            '"' => {
                letters.next();
                words.push(quoted(&mut letters)?);
            }
            _ if letter.is_whitespace() => {
                letters.next();
            }
            _ => {
                let mut word = String::new();
                while let Some(letter) = letters.next_if(|letter| !letter.is_whitespace()) {
                    word.push(letter);
                }
                words.push(word);
            }
        }
    }
    Ok(words)
}

fn quoted(letters: &mut impl Iterator<Item = char>) -> Result<String, String> {
    let mut word = String::new();
    loop {
        match letters.next().ok_or("a quote is not closed")? {
            '"' => return Ok(word),
            '\\' => word.push(match letters.next() {
                Some('e') => '\x1b',
                Some('r') => '\r',
                Some(letter @ ('"' | '\\')) => letter,
                _ => return Err("after a backslash comes e, r, a quote or a backslash".into()),
            }),
            letter => word.push(letter),
        }
    }
}

fn byte(word: &str) -> Result<u8, String> {
    let digits = word.len() == 2 && word.bytes().all(|digit| digit.is_ascii_hexdigit());
    let value = u8::from_str_radix(word, 16).ok().filter(|_| digits);
    value.ok_or_else(|| format!("`{word}` is not a byte in hexadecimal"))
}

fn hex_number(word: &str) -> Result<u16, String> {
    u16::from_str_radix(word, 16).map_err(|_| format!("`{word}` is not a hexadecimal number"))
}

fn number(word: &str) -> Result<usize, String> {
    word.parse()
        .map_err(|_| format!("`{word}` is not a number"))
}

fn time(word: &str) -> Result<Duration, String> {
    let fault = || format!("`{word}` is not a time like 200ms or 2s");
    let (digits, unit_ms) = match word.strip_suffix("ms") {
        Some(digits) => (digits, 1),
        None => (word.strip_suffix('s').ok_or_else(fault)?, 1000),
    };
    let count: u64 = digits.parse().map_err(|_| fault())?;
    Ok(Duration::from_millis(count * unit_ms))
}

/// How long a wait lasts at most when the case does not say.
const PATIENCE: Duration = Duration::from_secs(10);

#[cfg(test)]
mod tests {
    use super::*;

    fn steps(text: &str) -> Vec<Action> {
        let case = Case::read(&format!("case \"a\"\n{text}")).unwrap();
        case.steps.into_iter().map(|step| step.action).collect()
    }

    fn fault(text: &str) -> String {
        Case::read(&format!("case \"a\"\n{text}")).unwrap_err()
    }

    fn rack() -> PortName {
        PortName {
            device: "rack".into(),
            port: 0,
        }
    }

    #[test]
    fn bytes_may_be_repeated_and_written_over_lines() {
        let text = "expect rack 2 times within 200ms <<\n  90 3c 64 # on\n  80 3c 40\n>>\npause 2s";
        let once = [vec![0x90, 0x3c, 0x64], vec![0x80, 0x3c, 0x40]];
        let expected = Action::Expect {
            at: rack(),
            messages: [once.clone(), once].concat(),
            within: Duration::from_millis(200),
        };
        assert_eq!(
            steps(text),
            [expected, Action::Pause(Duration::from_secs(2))]
        );
    }

    #[test]
    fn a_device_says_what_it_is() {
        let text =
            "device rack vendor 1209 product 00a1 serial A label \"Lab Rack\" ports 2 absent";
        let spec = DeviceSpec {
            name: "rack".into(),
            vendor: 0x1209,
            product: 0xa1,
            serial: "A".into(),
            label: "Lab Rack".into(),
            ports: 2,
        };
        assert_eq!(
            steps(text),
            [Action::Device {
                spec,
                plugged: false
            }]
        );
    }

    #[test]
    fn quotes_keep_spaces_and_keys() {
        let text = "type \"\\e[5~ q\\r\"\nwait log \"step # 1\"";
        let log = Action::WaitLog {
            text: "step # 1".into(),
            within: PATIENCE,
        };
        assert_eq!(steps(text), [Action::Type("\x1b[5~ q\r".into()), log]);
    }

    #[test]
    fn lines_are_repeated() {
        let pause = |seconds| Action::Pause(Duration::from_secs(seconds));
        let text = "repeat 2\npause 1s\npause 2s\nagain\npause 3s";
        assert_eq!(steps(text), [1, 2, 1, 2, 3].map(pause));
        assert_eq!(fault("again"), "line 2: there is no `repeat` before it");
        assert_eq!(fault("repeat 2\npause 1s"), "a `repeat` has no `again`");
    }

    #[test]
    fn the_second_port_is_named() {
        let at = PortName {
            device: "rack".into(),
            port: 1,
        };
        assert_eq!(steps("skip rack:2"), [Action::Skip { at }]);
    }

    #[test]
    fn faults_name_the_line() {
        assert_eq!(
            fault("expect rack 9x"),
            "line 2: `9x` is not a byte in hexadecimal"
        );
        assert_eq!(fault("expect rack"), "line 2: bytes are missing");
        assert_eq!(fault("\nhope rack"), "line 3: unknown instruction `hope`");
        assert_eq!(fault("plug rack now"), "line 2: `now` is too much");
        assert_eq!(fault("send rack <<\n90"), "a `<<` is not closed");
        assert_eq!(
            fault("plug rack within 1s"),
            "line 2: nothing is waited for here, so `within` says nothing"
        );
    }
}
