//! `--format`: one of those in a command's table.

use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};

use crate::show::report::format::Offer;

/// Reads the name of a format of that table. The first row is the default of its command.
pub fn among<M: Sync>(table: &'static [Offer<M>]) -> impl TypedValueParser<Value = &'static Offer<M>> {
    let value = |offer: &Offer<M>| PossibleValue::new(offer.format.word).help(offer.format.about);
    PossibleValuesParser::new(table.iter().map(value)).map(move |word| {
        // The parser lets no other word pass.
        table.iter().find(|offer| offer.format.word == word).unwrap_or(&table[0])
    })
}
