//! Plays one case: devices, program, bytes out and in.

use std::collections::BTreeMap;
use std::fs;
use std::process::Command;
use std::thread;
use std::time::{Duration, Instant};

use crate::case::{Action, Case, PortName, Step, Way};
use crate::device::{CONTROLLERS, Device, DeviceSpec};
use crate::far::{Chunk, Port};
use crate::keyboard::{Console, Hand};
use crate::measure::{Flood, Ports, measure};
use crate::midi::{Message, hex, is_release};
use crate::program::{Launch, PROGRAM, Program};
use crate::terminal::Terminal;

/// How a case went.
pub struct Outcome {
    /// Nothing, or the line and what went wrong there.
    pub failure: Option<String>,
    /// What helps to see why.
    pub details: Vec<String>,
    /// What passed at the far sides, if the case is traced.
    pub trace: Vec<String>,
    /// What was measured.
    pub readings: Vec<String>,
}

/// Plays a case from its first step to its last, or to the first that fails.
pub fn play(case: &Case, name: &str) -> Outcome {
    let mut stage = Stage::new(name);
    let failure = stage.play(case).err();
    let details = if failure.is_some() {
        stage.details()
    } else {
        Vec::new()
    };
    stage.end_floods();
    for program in stage.program.iter_mut().chain(&mut stage.beside) {
        program.kill();
    }
    let trace = if case.is_traced {
        stage.trace()
    } else {
        Vec::new()
    };
    let (failure, details) = match (&case.must_fail, failure) {
        (None, failure) => (failure, details),
        (Some(wanted), Some(reason)) if reason.contains(wanted) => (None, details),
        (Some(wanted), Some(reason)) => (
            Some(format!("{reason} (it must fail with \"{wanted}\")")),
            details,
        ),
        (Some(wanted), None) => (
            Some(format!("it passed, and must fail with \"{wanted}\"")),
            details,
        ),
    };
    Outcome {
        failure,
        details,
        trace,
        readings: std::mem::take(&mut stage.readings),
    }
}

/// Everything a case has set up.
struct Stage {
    devices: BTreeMap<String, Device>,
    program: Option<Program>,
    path: String,
    home: String,
    start: Instant,
    /// Devices pushed in whose near side nobody has waited for yet.
    arriving: Vec<String>,
    console: Option<Console>,
    /// What the program was started with, the last time.
    arguments: Vec<String>,
    /// Programs that run beside it.
    beside: Vec<Program>,
    ways: Vec<Way>,
    floods: Vec<Flood>,
    readings: Vec<String>,
}

impl Ports for Stage {
    fn at(&mut self, name: &PortName) -> Result<&mut Port, String> {
        self.port(name)
    }
}

impl Stage {
    fn new(name: &str) -> Self {
        Self {
            devices: BTreeMap::new(),
            program: None,
            path: PROGRAM.to_owned(),
            home: format!("/tmp/{}", name.replace('/', "-")),
            start: Instant::now(),
            arriving: Vec::new(),
            console: None,
            arguments: Vec::new(),
            beside: Vec::new(),
            ways: Vec::new(),
            floods: Vec::new(),
            readings: Vec::new(),
        }
    }

    fn play(&mut self, case: &Case) -> Result<(), String> {
        for step in &case.steps {
            self.step(step)
                .map_err(|error| format!("{}: {error}", step.place))?;
        }
        self.judge_rest()
    }

    fn step(&mut self, step: &Step) -> Result<(), String> {
        // Devices that are made one after the other arrive together.
        if !matches!(step.action, Action::Device { .. }) {
            self.await_arrivals()?;
        }
        match &step.action {
            Action::Device { spec, plugged } => self.make(spec, *plugged),
            Action::Plug(name) => self.plug(name),
            Action::Unplug(name) => self.device(name)?.unplug(),
            Action::PowerOff(name) => {
                let device = self.device(name)?;
                device.unplug()?;
                device.ports.iter().for_each(Port::power_off);
                Ok(())
            }
            Action::Lossy(name) => {
                self.judge_losses(name)?;
                self.device(name)?.is_lossy = true;
                Ok(())
            }
            Action::Connect { from, to } => self.connect(from, to),
            Action::Send { to, bytes, within } => {
                let sent = self.port(to)?.send(bytes, *within);
                sent.map_err(|error| format!("{} cannot send: {error}", to.device))
            }
            Action::Nudge {
                from,
                bytes,
                at,
                message,
                within,
            } => self.nudge(from, bytes, (at, message), *within),
            Action::Expect {
                at,
                messages,
                within,
            } => self.expect(at, messages, *within),
            Action::Skip { at } => {
                self.port(at)?.skip();
                Ok(())
            }
            Action::SkipQuiet { at, span, within } => self.skip_quiet(at, *span, *within),
            Action::SkipUntil {
                at,
                message,
                within,
            } => self.skip_until(at, message, *within),
            Action::ExpectNone { at, span } => self.expect_none(at, *span),
            Action::ExpectBalanced { at, within } => {
                expect_over(at, &self.port(at)?.balance(Instant::now() + *within))
            }
            Action::ExpectSilent { at, within } => {
                expect_over(at, &self.port(at)?.silence(Instant::now() + *within))
            }
            Action::Press { .. }
            | Action::Hold { .. }
            | Action::ExpectConsole { .. }
            | Action::ExpectNoConsole(_) => self.step_of_keyboard(&step.action),
            Action::Pause(span) => {
                thread::sleep(*span);
                Ok(())
            }
            Action::Run { .. }
            | Action::Way(_)
            | Action::Flood { .. }
            | Action::EndFlood
            | Action::Measure { .. } => self.step_of_bench(&step.action),
            action => self.step_of_program(action),
        }
    }

    fn step_of_bench(&mut self, action: &Action) -> Result<(), String> {
        match action {
            Action::Run { path, arguments } => {
                self.await_arrivals()?;
                let launch = Launch {
                    program: path,
                    arguments,
                    home: &self.home,
                };
                let program = Program::start(&launch)?;
                self.beside.push(program);
                Ok(())
            }
            Action::Way(way) => {
                self.ways.push(way.clone());
                Ok(())
            }
            Action::Flood { from, bytes, every } => {
                let flood = Flood::begin(self.port(from)?, bytes.clone(), *every)?;
                self.floods.push(flood);
                Ok(())
            }
            Action::EndFlood => {
                self.end_floods();
                Ok(())
            }
            Action::Measure { rounds, step } => {
                let ways = self.ways.clone();
                let step = step.as_ref().map(|(port, bytes)| (port, bytes.as_slice()));
                let lines = measure(self, &ways, *rounds, step)?;
                self.readings.extend(lines);
                Ok(())
            }
            other => Err(format!("not an instruction of a bench: {other:?}")),
        }
    }

    fn end_floods(&mut self) {
        let played: Vec<usize> = self.floods.drain(..).map(Flood::end).collect();
        if !played.is_empty() {
            let all: usize = played.iter().sum();
            self.readings.push(format!("flood|messages|{all}|0|0|0|0|0"));
        }
    }

    fn step_of_keyboard(&mut self, action: &Action) -> Result<(), String> {
        match action {
            Action::Press { keyboard, keys } => keys.iter().try_for_each(|key| {
                let pressed = self.hand(keyboard)?.press(*key);
                pressed.map_err(|error| format!("{keyboard}: {error}"))
            }),
            Action::Hold { keyboard, keys } => {
                let held = self.hand(keyboard)?.hold(keys);
                held.map_err(|error| format!("{keyboard}: {error}"))
            }
            Action::ExpectConsole { line, within } => self.console()?.hears(line, *within),
            Action::ExpectNoConsole(span) => self.console()?.is_quiet(*span),
            other => Err(format!("not an instruction to a keyboard: {other:?}")),
        }
    }

    fn hand(&mut self, keyboard: &str) -> Result<&mut Hand, String> {
        // The console is to hear from the first key on.
        self.console()?;
        let hand = self.device(keyboard)?.hand.as_mut();
        hand.ok_or_else(|| format!("{keyboard} is no keyboard that is plugged in"))
    }

    fn console(&mut self) -> Result<&mut Console, String> {
        if self.console.is_none() {
            let console = Console::open().map_err(|error| format!("the console: {error}"))?;
            self.console = Some(console);
        }
        self.console.as_mut().ok_or_else(|| "no console".to_owned())
    }

    fn step_of_program(&mut self, action: &Action) -> Result<(), String> {
        match action {
            Action::Program(path) => {
                self.path.clone_from(path);
                Ok(())
            }
            Action::Start { arguments } => {
                self.prepare_start()?;
                self.arguments.clone_from(arguments);
                self.program = Some(Program::start(&self.launch(arguments))?);
                Ok(())
            }
            Action::Screen {
                rows,
                columns,
                arguments,
            } => {
                self.prepare_start()?;
                self.arguments.clone_from(arguments);
                let launch = self.launch(arguments);
                self.program = Some(Program::start_in_terminal(&launch, *rows, *columns)?);
                Ok(())
            }
            Action::Type(keys) => self.program()?.press(keys),
            Action::WaitLog { texts, within } => self.program()?.wait_for_lines(texts, *within),
            Action::WaitScreen { texts, within } => self
                .program()?
                .wait_for_screen(*within, |terminal| terminal.shows(texts))
                .then_some(())
                .ok_or_else(|| format!("no row of the screen has {texts:?}")),
            Action::WaitNoScreen { texts, within } => self
                .program()?
                .wait_for_screen(*within, |terminal| !terminal.shows(texts))
                .then_some(())
                .ok_or_else(|| format!("a row of the screen still has {texts:?}")),
            Action::WaitRestored { within } => self
                .program()?
                .wait_for_screen(*within, Terminal::restored)
                .then_some(())
                .ok_or_else(|| "the terminal was not restored".to_owned()),
            Action::WaitEnd { within } => self.program()?.wait_for_end(*within),
            Action::Stop { within } => {
                self.judge_unread(|_| true)?;
                let program = self.program()?;
                program.ask_to_end()?;
                program.wait_for_end(*within)
            }
            Action::Kill => {
                self.program()?.kill();
                Ok(())
            }
            other => Err(format!("not an instruction to the program: {other:?}")),
        }
    }

    fn make(&mut self, spec: &DeviceSpec, plugged: bool) -> Result<(), String> {
        let controller = self.devices.len();
        if controller >= CONTROLLERS {
            return Err(format!("there is room for {CONTROLLERS} devices"));
        }
        let device = Device::make(spec.clone(), controller)?;
        if self.devices.insert(spec.name.clone(), device).is_some() {
            return Err(format!("there are two devices called {}", spec.name));
        }
        if plugged {
            self.plug(&spec.name)
        } else {
            Ok(())
        }
    }

    fn plug(&mut self, name: &str) -> Result<(), String> {
        self.device(name)?.plug()?;
        self.arriving.push(name.to_owned());
        Ok(())
    }

    fn await_arrivals(&mut self) -> Result<(), String> {
        for name in std::mem::take(&mut self.arriving) {
            self.device(&name)?.arrive()?;
        }
        Ok(())
    }

    fn connect(&mut self, from: &PortName, to: &PortName) -> Result<(), String> {
        let sender = format!(
            "{}:{}",
            self.device(&from.device)?.near_client()?,
            from.port
        );
        let receiver = format!("{}:{}", self.device(&to.device)?.near_client()?, to.port);
        let connected = Command::new("/bin/aconnect")
            .args([&sender, &receiver])
            .output();
        match connected {
            Ok(output) if output.status.success() => Ok(()),
            Ok(output) => Err(String::from_utf8_lossy(&output.stderr).into_owned()),
            Err(error) => Err(format!("aconnect: {error}")),
        }
    }

    fn expect(
        &mut self,
        at: &PortName,
        wanted: &[Message],
        within: Duration,
    ) -> Result<(), String> {
        let deadline = Instant::now() + within;
        let port = self.port(at)?;
        for (index, message) in wanted.iter().enumerate() {
            let of = format!("({} of {})", index + 1, wanted.len());
            match port.next(deadline) {
                Some(came) if came == *message => {}
                Some(came) => {
                    let number = port.taken();
                    return Err(format!(
                        "expected {} at {} {of}, but message {number} is {}",
                        hex(message),
                        at.device,
                        hex(&came)
                    ));
                }
                None => {
                    return Err(format!(
                        "{} did not come at {} {of}",
                        hex(message),
                        at.device
                    ));
                }
            }
        }
        Ok(())
    }

    fn skip_until(
        &mut self,
        at: &PortName,
        last: &Message,
        within: Duration,
    ) -> Result<(), String> {
        let deadline = Instant::now() + within;
        let port = self.port(at)?;
        while let Some(message) = port.next(deadline) {
            if message == *last {
                return Ok(());
            }
        }
        Err(format!("{} did not come at {}", hex(last), at.device))
    }

    fn nudge(
        &mut self,
        from: &PortName,
        bytes: &[u8],
        (at, message): (&PortName, &Message),
        within: Duration,
    ) -> Result<(), String> {
        let deadline = Instant::now() + within;
        loop {
            self.port(from)?.send(bytes, within)?;
            let found = self.skip_until(at, message, NUDGE);
            if found.is_ok() || Instant::now() > deadline {
                return found;
            }
        }
    }

    fn skip_quiet(
        &mut self,
        at: &PortName,
        span: Duration,
        within: Duration,
    ) -> Result<(), String> {
        let deadline = Instant::now() + within;
        let port = self.port(at)?;
        while port.next(Instant::now() + span).is_some() {
            if Instant::now() > deadline {
                return Err(format!("{} did not come to rest", at.device));
            }
        }
        Ok(())
    }

    fn expect_none(&mut self, at: &PortName, span: Duration) -> Result<(), String> {
        match self.port(at)?.next(Instant::now() + span) {
            Some(message) => Err(format!("{} came at {}", hex(&message), at.device)),
            None => Ok(()),
        }
    }

    /// At the end nothing may have arrived that the case did not speak of, but for
    /// what a program lets go when it leaves.
    fn judge_rest(&mut self) -> Result<(), String> {
        for name in self.devices.keys() {
            self.judge_losses(name)?;
        }
        let has_left = self.program.as_mut().is_some_and(Program::has_ended);
        self.judge_unread(|message| !(has_left && is_release(message)))
    }

    /// A far side that was too slow has shown nothing about the program.
    fn judge_losses(&self, name: &str) -> Result<(), String> {
        let is_at_fault = |device: &Device| !device.is_lossy && device.overruns();
        match self.devices.get(name).is_some_and(is_at_fault) {
            true => Err(format!("the lab itself lost bytes at {name}")),
            false => Ok(()),
        }
    }

    fn judge_unread(&self, is_wrong: impl Fn(&Message) -> bool) -> Result<(), String> {
        for (name, device) in &self.devices {
            for (at, port) in device.ports.iter().enumerate() {
                let unread = port.unread();
                let wrong: Vec<_> = unread.iter().filter(|message| is_wrong(message)).collect();
                if let Some(first) = wrong.first() {
                    let (count, port, first) = (wrong.len(), at + 1, hex(first));
                    return Err(format!(
                        "nobody expected {count} more at {name}:{port}, first {first}"
                    ));
                }
            }
        }
        Ok(())
    }

    fn details(&mut self) -> Vec<String> {
        let mut out = Vec::new();
        for (name, device) in &self.devices {
            for (at, port) in device.ports.iter().enumerate() {
                out.push(format!(
                    "received at {name}:{} (* not yet looked at)",
                    at + 1
                ));
                out.extend(port.transcript(self.start));
            }
        }
        if let Some(program) = &mut self.program {
            out.push("said by the program".into());
            out.extend(program.transcript());
        }
        out
    }

    /// Who is who, then every byte in the order of its time (`../run` tells what is what).
    fn trace(&self) -> Vec<String> {
        let mut out = vec![format!("start|{}", self.arguments.join(" "))];
        let mut passed = Vec::new();
        for (name, device) in &self.devices {
            let DeviceSpec {
                vendor,
                product,
                serial,
                label,
                ..
            } = &device.spec;
            out.push(format!(
                "device|{name}|{vendor:04x}:{product:04x}|{serial}|{label}"
            ));
            for (at, port) in device.ports.iter().enumerate() {
                let (sent, received) = port.passed();
                let line = |way: &str, (time, bytes): &Chunk| {
                    let us = time.saturating_duration_since(self.start).as_micros();
                    let text = format!("{us}|{name}:{}|{way}|{}", at + 1, hex(bytes));
                    (*time, text)
                };
                passed.extend(sent.iter().map(|chunk| line("sent", chunk)));
                passed.extend(received.iter().map(|chunk| line("received", chunk)));
            }
        }
        passed.sort_by_key(|(time, _)| *time);
        out.extend(passed.into_iter().map(|(_, text)| text));
        out
    }

    /// The state folder outlives the program, so that a case can start it again.
    fn prepare_start(&mut self) -> Result<(), String> {
        if let Some(program) = &mut self.program {
            program.kill();
        }
        fs::create_dir_all(&self.home).map_err(|error| format!("{}: {error}", self.home))
    }

    fn launch<'a>(&'a self, arguments: &'a [String]) -> Launch<'a> {
        Launch {
            program: &self.path,
            arguments,
            home: &self.home,
        }
    }

    fn device(&mut self, name: &str) -> Result<&mut Device, String> {
        self.devices
            .get_mut(name)
            .ok_or_else(|| format!("there is no device {name}"))
    }

    fn port(&mut self, name: &PortName) -> Result<&mut Port, String> {
        let port = self.device(&name.device)?.ports.get_mut(name.port);
        port.ok_or_else(|| format!("{} has no port {}", name.device, name.port + 1))
    }

    fn program(&mut self) -> Result<&mut Program, String> {
        self.program
            .as_mut()
            .ok_or_else(|| "the program was not started".to_owned())
    }
}

fn expect_over(at: &PortName, open: &[String]) -> Result<(), String> {
    if open.is_empty() {
        return Ok(());
    }
    Err(format!(
        "at {} there is still {}",
        at.device,
        open.join(", ")
    ))
}

/// How often a nudge is repeated.
const NUDGE: Duration = Duration::from_millis(500);
