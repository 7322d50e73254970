//! Manners: `Gm2`, `Gm2(…)` with exceptions, or `(…)` where what is left out is assumed bad.

use crate::show::model::{BankBytes, LevelLaw, Manners};
use crate::show::tree::readers::{decimal, switch, whole, word};
use crate::show::tree::{Fields, Ident, Kind, Node, Report, Spanned, readers};

/// The longest time a manner may name, in milliseconds: ten minutes.
const MAX_MS: u32 = 600_000;

/// Reads the manners of a receiver.
pub(super) fn manners(node: &Node, report: &mut Report<'_>) -> Option<Manners> {
    let has_name = matches!(
        node.kind,
        Kind::Word(_)
            | Kind::Struct {
                name: Some(Ident { .. }),
                ..
            }
            | Kind::Tuple { name: Some(_), .. }
    );
    if !has_name {
        return stated(Fields::open(node, "manners", report)?, Manners::unstated());
    }
    readers::variant("set of manners", &["Gm2"])(node, report)?;
    stated(Fields::of_variant(node, "manners", report)?, Manners::gm2())
}

fn stated(mut fields: Fields<'_, '_, '_>, from: Manners) -> Option<Manners> {
    const BANKS: &[(&str, BankBytes)] = &[
        ("None", BankBytes::None),
        ("Msb", BankBytes::Msb),
        ("Lsb", BankBytes::Lsb),
        ("Both", BankBytes::Both),
    ];
    const LAWS: &[(&str, LevelLaw)] = &[
        ("Gm", LevelLaw::Gm),
        ("Linear", LevelLaw::Linear),
        ("Fixed", LevelLaw::Fixed),
    ];
    let manners = Manners {
        bank: or(fields.optional("bank", bank(BANKS)), from.bank),
        programs_from_1: or(
            fields.optional("programs_from_1", switch),
            from.programs_from_1,
        ),
        load_ms: or(fields.optional("load_ms", whole(0..=MAX_MS)), from.load_ms),
        resets_controllers: or(
            fields.optional("resets_controllers", switch),
            from.resets_controllers,
        ),
        cuts_notes: or(fields.optional("cuts_notes", switch), from.cuts_notes),
        may_prime: or(fields.optional("may_prime", switch), from.may_prime),
        polyphony: fields
            .optional("polyphony", whole(1..=4096u16))
            .map(|read| read.value)
            .or(from.polyphony),
        level: or(
            fields.optional("level", word("level law", LAWS)),
            from.level,
        ),
        release_s: fields
            .optional("release_s", decimal(0.0..=60.0))
            .map_or(from.release_s, |read| read.value as f32),
        holds_back: or(fields.optional("holds_back", switch), from.holds_back),
        boot_ms: or(fields.optional("boot_ms", whole(0..=MAX_MS)), from.boot_ms),
        heeds_sensing: or(fields.optional("heeds_sensing", switch), from.heeds_sensing),
    };
    fields.finish();
    Some(manners)
}

/// `None` is a word of RON itself, and here one of four.
fn bank(
    banks: &'static [(&'static str, BankBytes)],
) -> impl Fn(&Node, &mut Report<'_>) -> Option<BankBytes> {
    move |node, report| match node.kind {
        Kind::None => Some(BankBytes::None),
        _ => word("choice of bank bytes", banks)(node, report),
    }
}

fn or<T>(read: Option<Spanned<T>>, otherwise: T) -> T {
    read.map_or(otherwise, |read| read.value)
}
