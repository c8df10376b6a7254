//! Jobs that are too large for a card.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity, StreamFacts};
use crate::machine::Machine;

/// The check.
pub const CHECK: Check = Check {
    id: "file-too-large-for-card",
    topic: "size for the card",
    severity: Severity::Note,
    summary: "The job is larger than a file on a FAT32 card can be.",
    explain: Explanation {
        what: "the job has more bytes than a file on a FAT32 card can hold.",
        why: "copying it to the card fails, or the copy is cut off.",
        how: "a FAT32 directory entry holds the size in 32 bits, so at most 4 294 967 295 bytes (Microsoft, \
FAT32 File System Specification, 2000). A vendor's page gives two bytes less than 4 GiB; the smaller limit, 4 294 967 \
294 bytes, is used.",
        remedy: "slice coarser or with arcs, split the job, or send it another way.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::AtTheEnd(judge),
};

/// Largest file on a FAT32 card, bytes: 2³² − 1 by the format; one vendor page says 2³² − 2, which is on the safe side.
const CARD_FILE_LIMIT_BYTES: u64 = u32::MAX as u64 - 1;

fn judge(facts: &StreamFacts, _: &Machine, log: &mut Log) {
    if facts.bytes <= CARD_FILE_LIMIT_BYTES {
        return;
    }
    let hit = Hit {
        value: Some(facts.bytes as f64),
        limit: Some(CARD_FILE_LIMIT_BYTES as f64),
        unit: "bytes",
        ..Hit::plain(&CHECK, 0, CHECK.severity, 0)
    };
    log.raise(hit, || format!("{} bytes are more than a FAT32 card holds in one file", facts.bytes));
}
