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
//! trace                             every byte at every far side is written down, for a judge
//!
//! include FILE                      the lines of another file beside this one
//! device NAME vendor 1209 product 0001 serial A label "Lab Keys" [ports 2] [absent]
//!                                   makes a device and plugs it in, unless `absent`
//! keyboard NAME vendor …            the same, a computer keyboard: it has no ports
//! unplug NAME / plug NAME           pulls the cable, puts it back
//! power-off NAME                    pulls the cable, and what sounded in it is silent
//! lossy NAME                        from here on the far side may be too slow for what comes
//! connect FROM TO                   a sequencer connection in the kernel, for the self-test
//!
//! start ARGUMENTS                   runs `segue ARGUMENTS` without a terminal
//! screen 30x100 ARGUMENTS           runs it in a terminal of 30 rows, 100 columns
//! program PATH                      in place of `segue`, for the self-test
//! type "KEYS"                       presses keys of that terminal
//! wait log "TEXT" ["TEXT"]          for the next lines with these, in any order
//! wait screen "TEXT" ["TEXT"]       until one row has all of these, in order
//! wait no-screen "TEXT" ["TEXT"]    until no row has
//! wait restored                     until the terminal is as it was found
//! wait end                          until the program has ended, with status 0
//! stop                              asks it to end (SIGTERM) and does the same
//! kill                              ends it without asking
//!
//! press NAME KEYS                   presses keys of a keyboard, one after the other: x, enter,
//!                                   page-down, page-up, left, right, control
//! hold NAME KEY / let-go NAME       the same in two halves
//! expect-console "TEXT"             the kernel's console is given this line by a keyboard
//! expect-no-console TIME            nothing is typed at it in this time
//! send PORT [N times] BYTES         plays bytes at the far side, as they are
//! nudge PORT BYTES until PORT BYTES plays again and again until a message arrives: after a
//!                                   flood, of which the kernel may throw away anything
//! expect PORT [N times] BYTES       the next messages are exactly these
//! skip PORT                         passes over what has arrived
//! skip PORT until BYTES             passes over messages up to and with this one
//! skip PORT quiet TIME              passes over what comes until nothing has for TIME: to
//!                                   begin from a rig at rest, never in place of `expect`
//! expect-none PORT TIME             nothing arrives in this time
//! expect-balanced PORT              every note has had its own off, every pedal is up
//! expect-silent PORT                nothing sounds; an "all notes off" counts too
//! repeat N / again                  plays the lines between N times
//! pause TIME                        part of the playing; never a way to wait for a result
//!
//! run PATH ARGUMENTS                a further program beside the one under test
//! way NAME PORT PORT [N] BYTES OFF  a way that notes are measured on: a Note On goes in at the
//!                                   first port, N (1) come out at the second; three bytes
//!                                   of Note On and three of Note Off
//! flood PORT every TIME BYTES       plays them again and again until the flood ends
//! end-flood                         ends all floods
//! measure N [step PORT BYTES]       plays N notes through each way in turn, after a step
//!                                   before each round; a reading is a line of the report
//! ```
//!
//! Bytes may be written over several lines: `expect rack <<` opens, a line
//! with `>>` closes. Messages are compared whole, with their full status, since
//! USB-MIDI leaves running status to the kernel. At `stop`, and when a case ends, a
//! message that nobody expected or skipped fails it, at every device; only a program
//! that has ended may have let notes, pedals and wheels go.

use std::collections::VecDeque;
use std::time::Duration;

use crate::device::DeviceSpec;
use crate::keyboard::usage;
use crate::midi::{Message, split};
use crate::words::{byte, hex_number, instructions, number, time};

/// A case file, read.
#[derive(Debug)]
pub struct Case {
    pub title: String,
    pub must_fail: Option<String>,
    pub is_traced: bool,
    pub steps: Vec<Step>,
}

/// One instruction and where it stands.
#[derive(Clone, Debug)]
pub struct Step {
    pub place: String,
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
    Lossy(String),
    Press {
        keyboard: String,
        keys: Vec<u8>,
    },
    Hold {
        keyboard: String,
        keys: Vec<u8>,
    },
    ExpectConsole {
        line: String,
        within: Duration,
    },
    ExpectNoConsole(Duration),
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
        texts: Vec<String>,
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
    Nudge {
        from: PortName,
        bytes: Vec<u8>,
        at: PortName,
        message: Message,
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
    SkipQuiet {
        at: PortName,
        span: Duration,
        within: Duration,
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
    ExpectSilent {
        at: PortName,
        within: Duration,
    },
    Pause(Duration),
    Run {
        path: String,
        arguments: Vec<String>,
    },
    Way(Way),
    Flood {
        from: PortName,
        bytes: Vec<u8>,
        every: Duration,
    },
    EndFlood,
    Measure {
        rounds: usize,
        step: Option<(PortName, Vec<u8>)>,
    },
}

/// A way that notes are measured on.
#[derive(Clone, Debug, PartialEq)]
pub struct Way {
    pub name: String,
    pub from: PortName,
    pub to: PortName,
    /// How many notes come out for one that goes in.
    pub count: usize,
    pub on: Vec<u8>,
    pub off: Vec<u8>,
}

impl Case {
    /// Reads a case; `load` gives the text of a file that it includes. An error
    /// names the line.
    pub fn read(text: &str, load: &Load) -> Result<Self, String> {
        let mut case = Self {
            title: String::new(),
            must_fail: None,
            is_traced: false,
            steps: Vec::new(),
        };
        case.add(text, "", load, INCLUDE_DEPTH)?;
        if case.title.is_empty() || case.steps.is_empty() {
            return Err("a case needs a title and steps".into());
        }
        Ok(case)
    }

    /// Adds the lines of one file; `file` goes before the line number in places, and
    /// files may include others `depth` deep.
    fn add(&mut self, text: &str, file: &str, load: &Load, depth: usize) -> Result<(), String> {
        let mut repeat = None;
        for (line, words) in instructions(text).map_err(|error| format!("{file}{error}"))? {
            let place = format!("{file}line {line}");
            self.add_line(words, &place, &mut repeat, (load, depth))
                .map_err(|error| format!("{place}: {error}"))?;
        }
        match repeat {
            Some(_) => Err(format!("{file}a `repeat` has no `again`")),
            None => Ok(()),
        }
    }

    fn add_line(
        &mut self,
        words: Vec<String>,
        place: &str,
        repeat: &mut Option<(usize, usize)>,
        (load, depth): (&Load, usize),
    ) -> Result<(), String> {
        let mut words = Words::new(words);
        match words.next()?.as_str() {
            "case" => self.title = words.next()?,
            "must-fail" => self.must_fail = Some(words.next()?),
            "trace" => self.is_traced = true,
            "include" => {
                let file = words.next()?;
                let deeper = depth
                    .checked_sub(1)
                    .ok_or("files include each other too deep")?;
                self.add(&load(&file)?, &format!("{file} "), load, deeper)?;
            }
            "repeat" => *repeat = Some((number(&words.next()?)?, self.steps.len())),
            "again" => {
                let (times, first) = repeat.take().ok_or("there is no `repeat` before it")?;
                let block = self.steps.split_off(first);
                self.steps.extend((0..times).flat_map(|_| block.clone()));
            }
            verb => {
                let action = words.action(verb)?;
                let place = place.to_owned();
                self.steps.push(Step { place, action });
            }
        }
        words.end()
    }
}

/// Gives the text of a file by its name.
pub type Load<'a> = dyn Fn(&str) -> Result<String, String> + 'a;

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
            "device" => self.device(true)?,
            "keyboard" => self.device(false)?,
            "unplug" => Action::Unplug(self.next()?),
            "plug" => Action::Plug(self.next()?),
            "power-off" => Action::PowerOff(self.next()?),
            "lossy" => Action::Lossy(self.next()?),
            "press" => Action::Press {
                keyboard: self.next()?,
                keys: self.keys()?,
            },
            "hold" => Action::Hold {
                keyboard: self.next()?,
                keys: self.keys()?,
            },
            "let-go" => Action::Hold {
                keyboard: self.next()?,
                keys: Vec::new(),
            },
            "expect-console" => Action::ExpectConsole {
                line: self.next()?,
                within: self.within()?,
            },
            "expect-no-console" => Action::ExpectNoConsole(time(&self.next()?)?),
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
            "nudge" => self.nudge()?,
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
            "expect-silent" => Action::ExpectSilent {
                at: self.port()?,
                within: self.within()?,
            },
            "pause" => Action::Pause(time(&self.next()?)?),
            "run" => Action::Run {
                path: self.next()?,
                arguments: self.rest(),
            },
            "way" => self.way()?,
            "flood" => {
                let from = self.port()?;
                if self.next()? != "every" {
                    return Err("a flood is played `every` so often".into());
                }
                let every = time(&self.next()?)?;
                let bytes = self.bytes()?;
                Action::Flood { from, bytes, every }
            }
            "end-flood" => Action::EndFlood,
            "measure" => self.measure()?,
            other => return Err(format!("unknown instruction `{other}`")),
        })
    }

    /// Names of keys, as their numbers on USB.
    fn keys(&mut self) -> Result<Vec<u8>, String> {
        let names = self.texts()?;
        let number = |name: &String| usage(name).ok_or_else(|| format!("no key `{name}` here"));
        names.iter().map(number).collect()
    }

    fn device(&mut self, is_midi: bool) -> Result<Action, String> {
        let name = self.next()?;
        let mut spec = DeviceSpec {
            label: name.clone(),
            name,
            vendor: 0,
            product: 0,
            serial: String::new(),
            ports: usize::from(is_midi),
        };
        let mut plugged = true;
        while let Some(word) = self.rest.pop_front() {
            match word.as_str() {
                "vendor" => spec.vendor = hex_number(&self.next()?)?,
                "product" => spec.product = hex_number(&self.next()?)?,
                "serial" => spec.serial = self.next()?,
                "label" => spec.label = self.next()?,
                "ports" if is_midi => spec.ports = number(&self.next()?)?,
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
                texts: self.texts()?,
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
        match self.next()?.as_str() {
            "until" => {}
            "quiet" => {
                let (span, within) = (time(&self.next()?)?, self.within()?);
                return Ok(Action::SkipQuiet { at, span, within });
            }
            other => return Err(format!("nothing is skipped `{other}`")),
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

    fn nudge(&mut self) -> Result<Action, String> {
        let from = self.port()?;
        let until = self.rest.iter().position(|word| word == "until");
        let mut after = self
            .rest
            .split_off(until.ok_or("a nudge goes until a message")?);
        let bytes = self.bytes()?;
        after.pop_front();
        self.rest = after;
        Ok(Action::Nudge {
            from,
            bytes,
            at: self.port()?,
            message: self.bytes()?,
            within: self.within()?,
        })
    }

    fn way(&mut self) -> Result<Action, String> {
        let name = self.next()?;
        let (from, to) = (self.port()?, self.port()?);
        let count = match self.rest.len() {
            7 => number(&self.next()?)?,
            _ => 1,
        };
        let on = self.bytes()?;
        if on.len() != 6 || count == 0 {
            return Err("a way has three bytes of Note On and three of Note Off".into());
        }
        let (on, off) = (on[..3].to_vec(), on[3..].to_vec());
        let way = Way {
            name,
            from,
            to,
            count,
            on,
            off,
        };
        Ok(Action::Way(way))
    }

    fn measure(&mut self) -> Result<Action, String> {
        let rounds = number(&self.next()?)?;
        let step = match self.rest.pop_front().as_deref() {
            None => None,
            Some("step") => Some((self.port()?, self.bytes()?)),
            Some(other) => return Err(format!("nothing is measured with `{other}`")),
        };
        Ok(Action::Measure { rounds, step })
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

/// How deep files may include each other.
const INCLUDE_DEPTH: usize = 3;

/// How long a wait lasts at most when the case does not say.
const PATIENCE: Duration = Duration::from_secs(10);

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Case, String> {
        let load = |file: &str| match file {
            "rig.inc" => Ok("plug rack".to_owned()),
            "deep.inc" => Ok("\ninclude deep.inc".to_owned()),
            _ => Err("no such file".to_owned()),
        };
        Case::read(&format!("case \"a\"\n{text}"), &load)
    }

    fn steps(text: &str) -> Vec<Action> {
        let case = read(text).unwrap();
        case.steps.into_iter().map(|step| step.action).collect()
    }

    fn fault(text: &str) -> String {
        read(text).unwrap_err()
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
            texts: vec!["step # 1".into()],
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
    fn another_file_is_included_with_its_places() {
        let case = read("include rig.inc\npause 1s").unwrap();
        let places: Vec<_> = case.steps.iter().map(|step| step.place.as_str()).collect();
        assert_eq!(places, ["rig.inc line 1", "line 3"]);
        assert!(fault("include deep.inc").ends_with("files include each other too deep"));
    }

    #[test]
    fn a_case_is_traced_only_if_it_says_so() {
        assert!(read("trace\npause 1s").unwrap().is_traced);
        assert!(!read("pause 1s").unwrap().is_traced);
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
