//! Show → promptbook and sheet: everything that can be worked out before the night.
//!
//! `line` makes the night's line of positions, `rig` the tables of ports, controllers,
//! receivers and slots, `scenes` and `sounds` compile each scene once per transposition,
//! `seats` decides which slot carries which sound at each position, `replan` does it anew
//! around what sounds, `names` writes the sheet beside it, and `price` measures what each step of the result costs. Pure: the
//! same show gives the same tables.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

pub mod curves;
mod line;
mod names;
pub mod price;
mod replan;
mod rig;
mod routes;
mod scenes;
mod seats;
mod sent;
mod sounds;

use crate::engine::promptbook::Promptbook;
use crate::sheet::Sheet;
use crate::show::model::{Night, Show};

pub use line::Place;
pub use replan::{Given, Replan, replan};
pub use rig::PortMap;
pub use seats::{Remark, Trouble};
pub use sent::{Resolver, Sent, SentSetting};

/// A night, compiled: the engine's promptbook, the screens' sheet, and what belongs to both.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Plan {
    /// What the engine reads.
    pub promptbook: Promptbook,
    /// What a screen shows beside the engine's view; same indices.
    pub sheet: Sheet,
    /// For each port of the promptbook, its port in the rig.
    pub ports: PortMap,
    /// For each position, its song and scene.
    pub places: Vec<Place>,
    /// Steps that may be heard because slots are short (a shared slot, cut notes), in order of
    /// positions.
    pub remarks: Vec<Remark>,
}

impl Plan {
    /// Why the step to a position is not unbroken, in words; empty if it is.
    #[must_use]
    pub fn why(&self, position: usize) -> Vec<String> {
        // In order of positions: a night may have a remark at each of them.
        let first = self
            .remarks
            .partition_point(|remark| remark.position < position);
        self.remarks
            .iter()
            .skip(first)
            .take_while(|remark| remark.position == position)
            .filter_map(|remark| names::remark_words(&self.sheet, *remark))
            .collect()
    }
}

/// Why a night could not be compiled.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum PlanError {
    /// The night has no position to play.
    Empty,
    /// More of something than the engine's tables hold: what, how many, the limit.
    TooMany(&'static str, usize, usize),
}

impl std::fmt::Display for PlanError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Empty => f.write_str(
                "the night has no scene to play; give a song an order and the night a song",
            ),
            Self::TooMany(what, found, limit) => {
                write!(
                    f,
                    "{found} {what} are more than the {limit} the program holds; take some away"
                )
            }
        }
    }
}

impl std::error::Error for PlanError {}

/// Compiles one night of a show.
///
/// # Errors
/// `Empty` if nothing would be played, `TooMany` if the rig or a scene outgrows the
/// engine's tables (`engine::limits`).
pub fn compile(show: &Show, night: &Night) -> Result<Plan, PlanError> {
    compile_line(show, night, line::positions(show, night, None), None)
}

/// Compiles `places`. With `given`, what sounds at one of them keeps its slots.
fn compile_line(
    show: &Show,
    night: &Night,
    places: Vec<Place>,
    given: Option<(&Given<'_>, usize)>,
) -> Result<Plan, PlanError> {
    if places.is_empty() {
        return Err(PlanError::Empty);
    }
    let layout = rig::lay_out(&show.rig)?;
    let blobs = given.map_or(&[][..], |(given, _)| &given.plan.promptbook.blobs);
    let mut compiler = scenes::Compiler::new(show, night, &layout, blobs);
    let mut scene_ids = Vec::with_capacity(places.len());
    for place in &places {
        scene_ids.push(compiler.scene(place)?);
    }
    // What is left out tonight is compiled too: if it is taken in again, every slot is sent the
    // same as before, and ports have all its messages. A scene that is too large is no error
    // unless it is played.
    for place in line::left_out(show, night) {
        let _ = compiler.scene(&place);
    }
    let tables = compiler.finish();
    rig::within("stored messages", tables.blobs.len(), usize::from(u16::MAX))?;
    let sheet_scenes = tables.lines;
    let written = given.map_or(night, |(given, _)| given.written);
    let (songs, pages) = line::songs(night, &places, &line::page_numbers(show, written));
    let mut promptbook = Promptbook {
        in_ports: layout.in_ports,
        out_ports: layout.out_ports,
        controllers: layout.controllers,
        sources: layout.sources,
        bindings: layout.bindings,
        receivers: layout.receivers,
        slots: layout.slots,
        scenes: tables.scenes.into(),
        zones: tables.zones.into(),
        sounds: tables.sounds.into(),
        settings: tables.settings.into(),
        routes: tables.routes.entries.into(),
        route_inputs: tables.routes.inputs.into(),
        route_values: tables.routes.values.into(),
        route_curves: tables.routes.curves.into(),
        cues: tables.cues.into(),
        songs: songs.into(),
        pages: pages.into(),
        positions: line::entries(show, &places, &scene_ids).into(),
        seats: Box::default(),
        curves: tables.curves.into(),
        blobs: tables.blobs.into(),
    };
    let anchor = given.map(|(given, at)| replan::anchor(given, &promptbook, at));
    let remarks = seats::assign(&mut promptbook, anchor.as_ref());
    let mut sheet = names::sheet(show, night, &places, &promptbook, &layout.ports);
    sheet.scenes = sheet_scenes;
    sheet.remarks = names::remarks(&sheet, &remarks);
    Ok(Plan {
        promptbook,
        sheet,
        ports: layout.ports,
        places,
        remarks,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::{PositionLine, ReceiverLine, SceneLine, SoundLine};

    /// Each position has remarks. Looked for among all of them, this test does not end in its day.
    #[test]
    fn the_reasons_of_a_hundred_thousand_steps_are_found_where_they_are() {
        const COUNT: usize = 100_000;
        let sound = SoundLine {
            patch: "Organ".into(),
            receiver: 0,
        };
        let sheet = Sheet {
            receivers: vec![ReceiverLine::default()],
            scenes: vec![SceneLine {
                sounds: vec![sound.clone(), sound],
                ..SceneLine::default()
            }],
            positions: vec![PositionLine::default(); COUNT],
            ..Sheet::default()
        };
        // None at every third position, one at the next, two at the one after that.
        let remarks = (0..COUNT).flat_map(|position| {
            (0..position % 3).map(move |sound| Remark {
                position,
                sound,
                trouble: Trouble::NoSlot,
            })
        });
        let plan = Plan {
            sheet,
            remarks: remarks.collect(),
            ..Plan::default()
        };
        for position in 0..COUNT {
            assert_eq!(plan.why(position).len(), position % 3, "{position}");
        }
        assert!(plan.why(COUNT).is_empty());
    }
}
