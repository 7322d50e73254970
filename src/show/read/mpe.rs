//! `Mpe(side: Lower, members: 7, bend_range: 48)`: an MPE zone, of a surface or of an
//! instrument.

use crate::midi::mpe::{MAX_MEMBERS, MEMBER_BEND_RANGE, MpeZone, Side};
use crate::show::tree::readers::{self, whole, word};
use crate::show::tree::{Fields, Kind, Node, Report};

/// Whether an MPE zone is meant here.
pub(super) const fn is_written(node: &Node) -> bool {
    matches!(
        node.kind,
        Kind::Word(_) | Kind::Struct { name: Some(_), .. } | Kind::Tuple { name: Some(_), .. }
    )
}

/// Reads an MPE zone.
pub(super) fn zone(node: &Node, report: &mut Report<'_>) -> Option<MpeZone> {
    const SIDES: &[(&str, Side)] = &[("Lower", Side::Lower), ("Upper", Side::Upper)];
    readers::variant("set of channels", &["Mpe"])(node, report)?;
    let mut fields = Fields::of_variant(node, "MPE zone", report)?;
    let side = fields.required("side", word("side of the channels", SIDES));
    let members = fields.required("members", whole(1..=MAX_MEMBERS as u8));
    let bend_range = fields.optional("bend_range", whole(1..=96u8));
    fields.finish();
    Some(MpeZone {
        side: side?.value,
        members: members?.value,
        bend_range: bend_range.map_or(MEMBER_BEND_RANGE, |range| range.value),
    })
}
