//! Learning a control from the screen: what comes in is looked at, and what it is can be
//! written into the rig's file.
//!
//! What is written counts from the next start: the night that is played keeps its rig.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, PoisonError};

use super::driver::Shared;
use crate::engine::promptbook::InPort;
use crate::midi::Message;
use crate::screen::LearnedStatus;
use crate::show::edit;
use crate::show::learn::{Home, Learned, Learner, quoted};
use crate::show::model::{ControllerItem, Rig, Source, SourceKind};
use crate::show::read;
use crate::store;

/// Messages that may wait to be looked at; when full, one more is counted and not looked at.
pub(super) const HEARD_LIMIT: usize = 1024;

/// Largest rig file that is changed; the reader has the last word.
const RIG_LIMIT: u64 = 9 << 20;

/// What came in: when, where, and what.
pub(super) type Heard = (u64, InPort, Message);

/// The screen's end of what came in while it learns.
pub(super) struct Learning {
    learner: Learner,
    heard: rtrb::Consumer<Heard>,
    rig: Rig,
    /// Rig port of each input port.
    inputs: Vec<usize>,
    /// The rig's file; none if it is built in.
    file: Option<PathBuf>,
    /// The rig as the thread that writes files has written it, until it is looked at.
    written: Arc<Mutex<Option<Rig>>>,
    shared: Arc<Shared>,
}

/// The file that a show's rig is read from: the folder's own, or the one named in its place.
pub(super) fn rig_file(show: &Path, rig: Option<&PathBuf>) -> PathBuf {
    rig.map_or_else(|| show.join("rig.ron"), Clone::clone)
}

/// A line for messages, and the one who looks at them.
pub(super) fn line(
    (rig, inputs): (&Rig, &[usize]),
    file: Option<PathBuf>,
    shared: &Arc<Shared>,
) -> (rtrb::Producer<Heard>, Rc<RefCell<Learning>>) {
    let (sender, heard) = rtrb::RingBuffer::new(HEARD_LIMIT);
    let learning = Learning {
        learner: Learner::default(),
        heard,
        rig: rig.clone(),
        inputs: inputs.to_vec(),
        file,
        written: Arc::default(),
        shared: Arc::clone(shared),
    };
    (sender, Rc::new(RefCell::new(learning)))
}

impl Learning {
    /// From now on what comes in is looked at.
    pub(super) fn begin(&mut self) {
        self.take();
        self.learner = Learner::default();
        self.shared.unheard.store(0, Ordering::Relaxed);
        self.shared.is_learning.store(true, Ordering::Release);
    }

    pub(super) fn end(&mut self) {
        self.shared.is_learning.store(false, Ordering::Release);
    }

    /// What was moved so far, for the screen; nothing while nobody learns.
    pub(super) fn look(&mut self) -> Option<LearnedStatus> {
        self.take();
        if !self.shared.is_learning.load(Ordering::Acquire) {
            return None;
        }
        Some(match self.learner.learned(&self.rig) {
            None => LearnedStatus {
                what: "move one control; the show hears it too".into(),
                ..LearnedStatus::default()
            },
            Some(learned) => LearnedStatus {
                line: line_words(&learned.home),
                what: learned.what,
                seen: match self.shared.unheard.load(Ordering::Relaxed) {
                    0 => learned.seen,
                    count => format!("{}; {count} messages not looked at", learned.seen),
                },
            },
        })
    }

    /// Ends; what is to be written into the rig's file for what was learned, under this name.
    ///
    /// # Errors
    /// If there is nothing to write, in words.
    pub(super) fn keep(&mut self, name: &str) -> Result<Entry, String> {
        self.take();
        self.end();
        let learned = self.learner.learned(&self.rig);
        let learned = learned.ok_or("nothing was moved, nothing was written")?;
        let (path, first, entry) = self.place(&learned, name)?;
        let file = self.file.clone();
        let file = file.ok_or_else(|| format!("the rig is built in; the line is {entry}"))?;
        Ok(Entry {
            file,
            path,
            first,
            entry,
            written: Arc::clone(&self.written),
        })
    }

    /// What is learned next begins from the rig as it is written now, so that nothing is
    /// written twice and the next pedal has the next thing to do. Ports are those of the start:
    /// a file in which others stand by now has its say at the next one.
    fn know(&mut self, written: Rig) {
        let names =
            |rig: &Rig| -> Vec<String> { rig.ports.iter().map(|port| port.name.clone()).collect() };
        if names(&written) == names(&self.rig) {
            self.rig.controllers = written.controllers;
            self.rig.bindings = written.bindings;
        }
    }

    /// The map that it goes into, what goes before it if that map is new, and the entry.
    fn place(
        &self,
        learned: &Learned,
        name: &str,
    ) -> Result<(Vec<String>, String, String), String> {
        match &learned.home {
            Home::Known(known) => Err(format!("it is {known}: nothing was written")),
            Home::Nowhere => Err(format!("{NOWHERE}: nothing was written")),
            Home::Source { controller, value } => {
                let mut all = self.rig.controllers.iter();
                let item = all.find(|item| item.name == *controller);
                let first = item.map(usual).unwrap_or_default();
                let path = ["controllers", controller, "sources"].map(str::to_owned);
                Ok((path.to_vec(), first, format!("{}: {value}", quoted(name))))
            }
            Home::Pedal { value, .. } => {
                let entry = format!("{}: {value}", quoted(name));
                Ok((vec!["pedals".into()], String::new(), entry))
            }
        }
    }

    fn take(&mut self) {
        let written = self
            .written
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .take();
        if let Some(rig) = written {
            self.know(rig);
        }
        while let Ok((at_us, port, message)) = self.heard.pop() {
            if let Some(port) = self.inputs.get(port.index()) {
                self.learner.hear(at_us, *port, &self.rig, message);
            }
        }
    }
}

/// What is to be written into the rig's file. Reading and writing it is for the thread that
/// writes files.
pub(super) struct Entry {
    file: PathBuf,
    /// The map that it goes into.
    path: Vec<String>,
    /// What goes before it if that map is new.
    first: String,
    entry: String,
    /// Where the rig is left as it was written.
    written: Arc<Mutex<Option<Rig>>>,
}

impl Entry {
    /// Writes it; what came of it in words.
    ///
    /// # Errors
    /// If it could not be written, in words.
    pub(super) fn write(self) -> Result<String, String> {
        let Self {
            file,
            path,
            first,
            entry,
            written,
        } = self;
        let old = store::read_file(&file, RIG_LIMIT).map_err(|error| error.to_string())?;
        let shown = file.display();
        let old = String::from_utf8(old).map_err(|_| format!("{shown}: not UTF-8"))?;
        let path: Vec<&str> = path.iter().map(String::as_str).collect();
        let (changed, rig) = edit::add_entry(&old, &path, &first, &entry)
            .and_then(|new| checked(&old, new))
            .map_err(|error| format!("{shown} is as it was: {error}; the line is {entry}"))?;
        store::save(&file, changed.as_bytes()).map_err(|error| error.to_string())?;
        *written.lock().unwrap_or_else(PoisonError::into_inner) = Some(rig);
        Ok(format!(
            "{entry} is in {shown}, and counts from the next start"
        ))
    }
}

/// What a controller has as long as its sources are not listed, which they are from now on;
/// written only where they were not.
fn usual(item: &ControllerItem) -> String {
    let entry = |source: &Source| {
        let sends = match source.kind {
            SourceKind::Control(number) => format!("Control({})", number.get()),
            SourceKind::Bend => "Bend".into(),
            SourceKind::Pressure => "Pressure".into(),
            // None of the usual ones sends anything else.
            _ => return None,
        };
        Some(format!("{}: {sends}, ", quoted(&source.name)))
    };
    item.sources.iter().filter_map(entry).collect()
}

const NOWHERE: &str = "no controller of the rig listens there";

fn line_words(home: &Home) -> String {
    match home {
        Home::Known(known) => format!("it is {known}"),
        Home::Nowhere => NOWHERE.into(),
        Home::Source { controller, value } => {
            format!("\"NAME\": {value}   in the sources of \"{controller}\"")
        }
        Home::Pedal { value, .. } => format!("\"NAME\": {value}   in pedals"),
    }
}

/// The new text and its rig, if it reads as the old one with one source or pedal more.
fn checked(old: &str, new: String) -> Result<(String, Rig), String> {
    let [(before, told_before), (after, told_after)] = [old, &new].map(|text| {
        let files = BTreeMap::from([("rig.ron".to_owned(), text.as_bytes().to_vec())]);
        let (show, findings) = read::read(&files, "rig");
        (show.rig, findings)
    });
    if let Some(finding) = told_after.kept().get(told_before.kept().len()) {
        // The findings of before are among those of now, in whatever order.
        let all = told_after.kept().iter();
        let new = all.clone().find(|it| {
            !told_before
                .kept()
                .iter()
                .any(|was| was.message == it.message)
        });
        return Err(new.unwrap_or(finding).message.clone());
    }
    let count = |rig: &Rig| {
        let sources = rig.controllers.iter().map(|item| item.sources.len());
        sources.sum::<usize>() + rig.bindings.len()
    };
    if count(&after) == count(&before) + 1 {
        Ok((new, after))
    } else {
        Err("it would not read as meant".into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::{Channel, Controller, KeyCode, Value7};
    use std::fs;

    const RIG: &str = r#"// A rig.
(
    version: 1,
    ports: {"keys": (name: "Keys"), "feet": (name: "Feet", kind: Keys)},
    controllers: {
        "upper": (port: "keys", channel: 1, keys: "C2..C7"), // no list of sources
        "lower": (port: "keys", channel: 2, keys: "C2..C7", sources: {
            "wheel": Control(1), // the left one
        }),
        "page foot": (port: "feet"),
        "surface": (port: "keys", channel: Mpe(side: Upper, members: 3), keys: "C2..C7"),
    },
    receivers: {"synth": (port: "keys", slots: "3..4", patches: "patches/none.csv")},
)
"#;

    struct Bench {
        _folder: tempfile::TempDir,
        file: PathBuf,
        heard: rtrb::Producer<Heard>,
        learning: Rc<RefCell<Learning>>,
    }

    impl Bench {
        fn new() -> Self {
            let folder = tempfile::tempdir().unwrap();
            let file = folder.path().join("rig.ron");
            fs::write(&file, RIG).unwrap();
            let files = BTreeMap::from([("rig.ron".to_owned(), RIG.as_bytes().to_vec())]);
            let rig = read::read(&files, "rig").0.rig;
            let shared = Arc::new(Shared::new(2));
            let (heard, learning) = line((&rig, &[0, 1]), Some(file.clone()), &shared);
            learning.borrow_mut().begin();
            Self {
                _folder: folder,
                file,
                heard,
                learning,
            }
        }

        fn knob(&mut self, channel: u8, number: u8) {
            let channel = Channel::new(channel - 1).unwrap();
            let number = Controller::new(number).unwrap();
            for value in 0..20 {
                let message = Message::Control(channel, number, Value7::new(value).unwrap());
                self.heard.push((0, InPort(0), message)).unwrap();
            }
        }

        fn keep(&self, name: &str) -> Result<String, String> {
            let entry = self.learning.borrow_mut().keep(name)?;
            entry.write()
        }

        fn text(&self) -> String {
            fs::read_to_string(&self.file).unwrap()
        }
    }

    #[test]
    fn what_is_learned_is_written_and_nothing_else_changes() {
        let mut bench = Bench::new();
        bench.knob(2, 74);
        let seen = bench.learning.borrow_mut().look().unwrap();
        assert_eq!(seen.what, "control 74 on channel 2 at \"keys\"");
        assert_eq!(
            seen.line,
            "\"NAME\": Control(74)   in the sources of \"lower\""
        );
        bench.keep("big \"knob\"").unwrap();
        let expected = RIG.replace(
            "// the left one\n",
            "// the left one\n            \"big \\\"knob\\\"\": Control(74),\n",
        );
        assert_eq!(bench.text(), expected);
        assert_eq!(bench.learning.borrow_mut().look(), None, "it has ended");
    }

    /// A keyboard whose sources were not listed keeps those that it had; so does a surface,
    /// which is known by any of its channels.
    #[test]
    fn the_usual_sources_stay() {
        let usual = ["hold", "bend", "pressure"];
        for (channel, controller, more) in [(1, 0, &[][..]), (15, 3, &["slide"])] {
            let mut bench = Bench::new();
            bench.knob(channel, 20);
            bench.keep("knob").unwrap();
            let files = BTreeMap::from([("rig.ron".to_owned(), bench.text().into_bytes())]);
            let rig = read::read(&files, "rig").0.rig;
            let names: Vec<&str> = rig.controllers[controller]
                .sources
                .iter()
                .map(|source| source.name.as_str())
                .collect();
            assert_eq!(names, [&usual[..], more, &["knob"]].concat());
        }
    }

    #[test]
    fn a_key_becomes_a_pedal() {
        let mut bench = Bench::new();
        let message = KeyCode::named("PageDown").unwrap().message(true);
        bench.heard.push((0, InPort(1), message)).unwrap();
        bench.keep("right").unwrap();
        let entry = r#"pedals: {"right": (on: "page foot", sends: Key("PageDown"), does: Step)},"#;
        assert_eq!(
            bench.text(),
            RIG.replace(".csv\")},\n", &format!(".csv\")}},\n    {entry}\n"))
        );
    }

    /// Each pedal is offered what none does yet, before the next start too, and one that was
    /// written is not written again.
    #[test]
    fn the_next_pedal_does_the_next_thing() {
        let mut bench = Bench::new();
        let mut keep = |name: &str| {
            let message = KeyCode::named(name).unwrap().message(true);
            bench.learning.borrow_mut().begin();
            bench.heard.push((0, InPort(1), message)).unwrap();
            bench.keep(name)
        };
        let does = [
            ("PageDown", "Step"),
            ("PageUp", "Back"),
            ("Right", "PageNext"),
            ("Left", "PageBack"),
            ("B", "Panic"),
            ("Space", "Step"),
        ];
        for (key, word) in does {
            let said = keep(key).unwrap();
            assert!(said.contains(&format!("does: {word})")), "{said}");
        }
        let again = keep("Right").unwrap_err();
        assert!(again.contains("it is the pedal \"Right\""), "{again}");
    }

    #[test]
    fn what_cannot_be_written_leaves_the_file_and_says_why() {
        let mut bench = Bench::new();
        assert!(bench.keep("a").unwrap_err().contains("nothing was moved"));
        bench.knob(2, 1);
        let known = bench.keep("a").unwrap_err();
        assert!(known.contains("it is \"wheel\" of \"lower\""), "{known}");
        let mut bench = Bench::new();
        bench.knob(2, 74);
        let twice = bench.keep("wheel").unwrap_err();
        assert!(twice.contains("is as it was"), "{twice}");
        assert!(twice.contains("\"wheel\": Control(74)"), "{twice}");
        // Somebody has changed the file meanwhile: what the line names is not there any more.
        let mut bench = Bench::new();
        let key = KeyCode::named("PageDown").unwrap();
        bench.heard.push((0, InPort(1), key.message(true))).unwrap();
        let renamed = RIG.replace("\"page foot\"", "\"other foot\"");
        fs::write(&bench.file, &renamed).unwrap();
        let words = bench.keep("right").unwrap_err();
        assert!(words.contains("\"page foot\""), "{words}");
        assert_eq!(bench.text(), renamed);
        let mut bench = Bench::new();
        bench.knob(7, 74);
        assert!(bench.keep("a").unwrap_err().contains(NOWHERE));
        let mut bench = Bench::new();
        bench.knob(2, 74);
        fs::write(&bench.file, "(version: 1, ").unwrap();
        assert!(bench.keep("a").unwrap_err().contains("mend it first"));
        assert_eq!(bench.text(), "(version: 1, ");
    }
}
