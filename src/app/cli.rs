//! The command line: every command, its words and its examples in one place.

use std::path::PathBuf;

use clap::builder::{PossibleValuesParser, TypedValueParser};
use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::screen::{Screen, Theme};

/// A scene stepper for keyboard players: the whole rig becomes the next set-up at the
/// press of a pedal, and held notes go on.
///
/// Without a command the demo show opens on the model rig; without a terminal a stretch of
/// it is played as lines.
#[derive(Debug, Parser)]
#[command(
    name = "segue",
    version,
    after_help = EXAMPLES,
    args_conflicts_with_subcommands = true
)]
pub(super) struct Cli {
    #[command(flatten)]
    pub(super) looks: Looks,
    /// What to do; the demo if nothing is named.
    #[command(subcommand)]
    pub(super) command: Option<Command>,
}

const EXAMPLES: &str = "Examples:
  segue                          the demo show, on model instruments: nothing sounds
  segue new --demo my-show       write the demo show out, to change it
  segue check my-show            everything that is wrong with a show, in one run
  segue plan my-show             what each step costs, at the press and before
  segue ports                    what is plugged in
  segue play my-show             play it

Hearing: a scene change can raise the level suddenly. Check at low level first, and
follow the rules on noise that hold where you play.
Safety: no output of this program may start, stop, permit or prevent motion, lifting,
flying, pyrotechnics, flame or lasers.";

/// All commands.
#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Play a show.
    Play(Play),
    /// Say everything that is wrong with a show.
    Check(Check),
    /// Say what each step of a night costs: bytes and time at the press, and why.
    Plan(Plan),
    /// Draw velocity curves: what is struck, and what is played for it.
    Curves(Curves),
    /// List what is plugged in, its identity, and the rig item it serves.
    Ports(Ports),
    /// Run a recording through a show without waiting, and write what each port was sent.
    Replay(Replay),
    /// Write a new show folder.
    New(New),
    /// Hear every sound of the rig once, before doors, and save what was found.
    LineCheck(LineCheck),
    /// Print the commands and keys that work while a show is played.
    Keys(KeysArgs),
    /// Write a screen as a picture (SVG).
    Picture(Picture),
}

/// How screens are drawn.
#[derive(Clone, Copy, Debug, Args)]
pub(super) struct Looks {
    /// Colours for the light you are in.
    #[arg(long, value_name = "NAME", default_value = Theme::Dark.name(), value_parser = themes())]
    pub(super) theme: Theme,
    /// Draw lines and blocks with ASCII, for terminals that draw them two cells wide.
    #[arg(long)]
    pub(super) ascii: bool,
}

fn themes() -> impl TypedValueParser<Value = Theme> {
    PossibleValuesParser::new(Theme::ALL.map(Theme::name))
        .map(|name| Theme::named(&name).unwrap_or_default())
}

/// Where MIDI goes.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, ValueEnum)]
pub(super) enum Midi {
    /// The system's own sequencer where there is one (Linux), else the portable library.
    #[default]
    System,
    /// The portable library.
    Portable,
}

/// `segue play`
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  segue play tour --night friday
  segue play tour --at 7.3
  segue play tour --at salt-road/bridge --model --rehearse
  segue play tour --headless > night.log
  segue play tour --model --recording friday.mid")]
pub(super) struct Play {
    /// The show's folder.
    pub(super) show: PathBuf,
    /// Which night; needed if the show has several.
    #[arg(long)]
    pub(super) night: Option<String>,
    /// A rig file to use instead of the show's own.
    #[arg(long, value_name = "FILE")]
    pub(super) rig: Option<PathBuf>,
    /// Where to start: a call number such as 7.3, or SONG/SCENE. Otherwise the show comes
    /// back where it was stopped, or starts at its beginning.
    #[arg(long, value_name = "CALL|SONG/SCENE")]
    pub(super) at: Option<String>,
    /// Play on model instruments, which make no sound, instead of ports.
    #[arg(long)]
    pub(super) model: bool,
    /// Which way to MIDI.
    #[arg(long, value_enum, default_value_t)]
    pub(super) midi: Midi,
    /// A rehearsal: no cue leaves the program, and stretches may be looped.
    #[arg(long)]
    pub(super) rehearse: bool,
    /// No screen: the log goes to standard output as lines.
    #[arg(long)]
    pub(super) headless: bool,
    /// A Standard MIDI File that is played on the model rig as if somebody did, in its own
    /// time. Tracks and markers are as for `segue replay`.
    #[arg(long, value_name = "FILE", requires = "model")]
    pub(super) recording: Option<PathBuf>,
    /// Folder for what the model rig was sent meanwhile, as `segue replay` writes it.
    #[arg(long, value_name = "DIR", requires = "recording")]
    pub(super) out: Option<PathBuf>,
    #[command(flatten)]
    pub(super) looks: Looks,
}

/// `segue check`
#[derive(Debug, Args)]
#[command(
    after_help = "Exit status: 0 clean (warnings and notes allowed), 1 errors found, 2 wrong use.

Examples:
  segue check tour
  segue check tour --json | jq '.[].message'"
)]
pub(super) struct Check {
    /// The show's folder.
    pub(super) show: PathBuf,
    /// Print an array of {id, level, file, line, column, message, help}.
    #[arg(long)]
    pub(super) json: bool,
}

/// `segue plan`
#[derive(Debug, Args)]
#[command(
    after_help = "A step is unbroken if all held notes go on and every sound finds a slot that was
silent before. Bytes are with every status byte; time is that of the port's line.

Examples:
  segue plan tour
  segue plan tour --night friday --dwell 5
  segue plan tour --json | jq '.steps[] | select(.unbroken | not)'"
)]
pub(super) struct Plan {
    /// The show's folder.
    pub(super) show: PathBuf,
    /// Which night; needed if the show has several.
    #[arg(long)]
    pub(super) night: Option<String>,
    /// How long each position is taken to be played before the next press.
    #[arg(long, value_name = "SECONDS", default_value_t = 10,
          value_parser = clap::value_parser!(u32).range(0..=3600))]
    pub(super) dwell: u32,
    /// Print {steps: [{call, song, scene, unbroken, why, ports}], totals}.
    #[arg(long)]
    pub(super) json: bool,
}

/// `segue curves`
#[derive(Debug, Args)]
#[command(
    after_help = "What is struck goes to the right, what is played up; 64 columns and 32 rows of dots.

Examples:
  segue curves tour
  segue curves tour --zone ferry-lights/verse/left
  segue curves tour --ascii"
)]
pub(super) struct Curves {
    /// The show's folder.
    pub(super) show: PathBuf,
    /// One zone instead of the rig's curves, with its window and how it fades there.
    #[arg(long, value_name = "SONG/SCENE/ZONE")]
    pub(super) zone: Option<String>,
    /// Stars instead of dots.
    #[arg(long)]
    pub(super) ascii: bool,
}

/// `segue ports`
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  segue ports
  segue ports --show tour")]
pub(super) struct Ports {
    /// A show whose rig the ports are matched to.
    #[arg(long, value_name = "SHOW")]
    pub(super) show: Option<PathBuf>,
    /// Which way to MIDI.
    #[arg(long, value_enum, default_value_t)]
    pub(super) midi: Midi,
}

/// `segue replay`
#[derive(Debug, Args)]
#[command(
    after_help = "A track named after a controller or pedal box is what that one sends; a marker
`step`, `back` or `jump SONG/SCENE` is a command.

Examples:
  segue replay tour friday.mid --against        what an edit has changed
  segue replay tour friday.mid --out played
  segue replay tour friday.mid --out played --json > messages.jsonl"
)]
pub(super) struct Replay {
    /// The show's folder.
    pub(super) show: PathBuf,
    /// A Standard MIDI File.
    pub(super) recording: PathBuf,
    /// Folder for one Standard MIDI File per port; made if it is not there. A file is named
    /// after its port, with `-` for blanks; of ports that would share a name the second has
    /// `-2` after it, and so on.
    #[arg(long, value_name = "DIR", required_unless_present = "against")]
    pub(super) out: Option<PathBuf>,
    /// Compare: list what the show as it is now sounds otherwise than the recording says.
    #[arg(long, conflicts_with_all = ["out", "json"])]
    pub(super) against: bool,
    /// Which night; needed if the show has several.
    #[arg(long)]
    pub(super) night: Option<String>,
    /// Print each message as a line: {"us": 1250000, "port": "rack", "bytes": "90 3c 64"}.
    #[arg(long)]
    pub(super) json: bool,
}

/// `segue line-check`
#[derive(Debug, Args)]
#[command(
    after_help = "The screens and keys are those of a show: play each sound, step when it is right, mark
it with a word (a) when it is not. The report is saved as you leave.

Hearing: faders down first, then come up slowly; a sound can be louder than the last.

Examples:
  segue line-check tour
  segue line-check tour --panel       what to set on panels, as a list to print
  segue line-check tour --manners     what a program change does to a held note"
)]
pub(super) struct LineCheck {
    /// The show's folder.
    pub(super) show: PathBuf,
    /// The manners test instead of the sounds.
    #[arg(long)]
    pub(super) manners: bool,
    /// Only print what to set and look at on panels, Local Off of keyboards first.
    #[arg(long, conflicts_with_all = ["manners", "model", "yes"])]
    pub(super) panel: bool,
    /// On model instruments, which make no sound.
    #[arg(long)]
    pub(super) model: bool,
    /// Do not ask before sound.
    #[arg(long)]
    pub(super) yes: bool,
    /// How screens are drawn.
    #[command(flatten)]
    pub(super) looks: Looks,
    /// Which way to MIDI.
    #[arg(long, value_enum, default_value_t)]
    pub(super) midi: Midi,
}

/// `segue keys`
#[derive(Debug, Args)]
#[command(
    after_help = "Keys of your own: lines `COMMAND: KEY KEY` in keys.txt in the folder for settings;
`segue keys` says where that is and what in it could not be used.

Examples:
  segue keys
  segue keys --manual | man -l -"
)]
pub(super) struct KeysArgs {
    /// Print a manual page instead.
    #[arg(long)]
    pub(super) manual: bool,
}

/// `segue new`
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  segue new my-show            a small show, every line explained
  segue new --demo my-show     the demo show")]
pub(super) struct New {
    /// Write the demo show instead of the small one.
    #[arg(long)]
    pub(super) demo: bool,
    /// The folder to make; it must not exist, or be empty.
    pub(super) folder: PathBuf,
}

/// `segue picture`
#[derive(Debug, Args)]
#[command(
    after_help = "The show is played on the model rig to the position that is drawn. Without --clock
it is as late as planned.

Examples:
  segue picture tour -o stage.svg
  segue picture tour --screen order --at 7.3 --size 80x24 --theme light -o order.svg
  segue picture tour --at salt-road/drop --held keys:C#4,F#4 --down strap:A4 -o drop.svg"
)]
pub(super) struct Picture {
    /// The show's folder.
    pub(super) show: PathBuf,
    /// Which night; needed if the show has several.
    #[arg(long)]
    pub(super) night: Option<String>,
    /// Which screen.
    #[arg(long, value_name = "NAME", default_value = Screen::Stage.name(), value_parser = screens())]
    pub(super) screen: Screen,
    /// Where the show is: a call number such as 7.3, or SONG/SCENE. Otherwise its beginning.
    #[arg(long, value_name = "CALL|SONG/SCENE")]
    pub(super) at: Option<String>,
    /// Columns and rows, from 1x1 to 500x200.
    #[arg(long, value_name = "COLUMNSxROWS", default_value = "120x36", value_parser = size)]
    pub(super) size: (u16, u16),
    /// Keys struck in the scene before and held over the step, such as keys:C#4,F#4. May be
    /// given for several controllers.
    #[arg(long, value_name = "CONTROLLER:KEY,...")]
    pub(super) held: Vec<String>,
    /// Keys struck in the scene that is drawn.
    #[arg(long, value_name = "CONTROLLER:KEY,...")]
    pub(super) down: Vec<String>,
    /// The time of day, such as 21:14.
    #[arg(long, value_name = "HH:MM", value_parser = clock)]
    pub(super) clock: Option<u32>,
    #[command(flatten)]
    pub(super) looks: Looks,
    /// The file to write.
    #[arg(short, long, value_name = "FILE.svg")]
    pub(super) out: PathBuf,
}

fn screens() -> impl TypedValueParser<Value = Screen> {
    PossibleValuesParser::new(Screen::ALL.map(Screen::name)).map(|name| {
        let found = Screen::ALL.into_iter().find(|screen| screen.name() == name);
        found.unwrap_or_default()
    })
}

/// `120x36` as columns and rows.
fn size(text: &str) -> Result<(u16, u16), String> {
    let number = |text: &str, most: u16| {
        let number = text.parse::<u16>().ok();
        number.filter(|number| (1..=most).contains(number))
    };
    let parts = text.split_once('x');
    parts
        .and_then(|(wide, high)| Some((number(wide, 500)?, number(high, 200)?)))
        .ok_or_else(|| "a size is columns x rows, such as 120x36, at most 500x200".into())
}

/// `21:14` as seconds past midnight.
fn clock(text: &str) -> Result<u32, String> {
    let number = |text: &str, most: u32| {
        let number = text.parse::<u32>().ok();
        number.filter(|number| *number <= most)
    };
    let parts = text.split_once(':');
    parts
        .and_then(|(hour, minute)| Some((number(hour, 23)? * 60 + number(minute, 59)?) * 60))
        .ok_or_else(|| "a time of day is hour:minute, such as 21:14".into())
}
