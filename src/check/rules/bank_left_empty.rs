//! Patches with and without a bank on the same slots: a program change without a bank means
//! the bank that was selected last, so what it sounds like depends on the way there.

use crate::check::walk::scenes;
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{BankBytes, PatchItem, Receiver, Show, Site};

pub(super) const RULE: Rule = Rule {
    id: "bank-left-empty",
    level: Level::Error,
    says: "a patch without a bank beside one that has it",
    run,
};

/// A bank byte: its column, how to read it of a patch, and whether a receiver is sent it.
struct Byte {
    column: &'static str,
    of: fn(&PatchItem) -> bool,
    is_sent: fn(BankBytes) -> bool,
}

const BYTES: [Byte; 2] = [
    Byte {
        column: "bank_msb",
        of: |patch| patch.bank_msb.is_some(),
        is_sent: |bank| matches!(bank, BankBytes::Msb | BankBytes::Both),
    },
    Byte {
        column: "bank_lsb",
        of: |patch| patch.bank_lsb.is_some(),
        is_sent: |bank| matches!(bank, BankBytes::Lsb | BankBytes::Both),
    },
];

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (index, receiver) in show.rig.receivers.iter().enumerate() {
        for group in 0..receiver.groups.len() {
            let used = used(show, (index, receiver), group);
            let bytes = BYTES
                .iter()
                .filter(|byte| (byte.is_sent)(receiver.manners.bank));
            for byte in bytes {
                let with = used.iter().find(|(_, patch)| (byte.of)(patch));
                let without = used.iter().find(|(_, patch)| !(byte.of)(patch));
                if let (Some((_, with)), Some((site, without))) = (with, without) {
                    let message = format!(
                        "{} has no {} in {}, and {} on the same slots of {} has one: after that \
                         it is another sound",
                        quoted(&without.name),
                        byte.column,
                        quoted(&receiver.patches.origin),
                        quoted(&with.name),
                        quoted(&receiver.name),
                    );
                    told.add(
                        *site,
                        message,
                        format!(
                            "write its {} into the list (0 is a number too), or say bank: in the \
                             manners if the receiver does not heed it",
                            byte.column
                        ),
                    );
                }
            }
        }
    }
}

/// The patches that a show plays on a group, each with a place where it does.
fn used<'a>(
    show: &Show,
    (index, receiver): (usize, &'a Receiver),
    group: usize,
) -> Vec<(Site, &'a PatchItem)> {
    let of_scenes = scenes(show).flat_map(|(_, scene)| {
        let zones = scene
            .zones
            .iter()
            .filter(|zone| zone.receiver == index && zone.group == group)
            .filter_map(|zone| Some((zone.site, zone.patch?)));
        let stated = scene
            .patches
            .iter()
            .filter(|patch| patch.receiver == index && patch.group == group)
            .map(|patch| (patch.site, patch.patch));
        zones.chain(stated)
    });
    of_scenes
        .filter_map(|(site, patch)| Some((site, receiver.patches.patches.get(patch)?)))
        .collect()
}
