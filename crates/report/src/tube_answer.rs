//! What was asked of the tube table.

use deadstage_parts::TubeType;
use deadstage_parts::table::Substitute;

/// A type, and what was asked of it besides its data.
#[derive(Clone, Debug)]
pub struct TubeAnswer<'t> {
    /// The type.
    pub tube: &'t TubeType,
    /// What must be told of the name that it was found by.
    pub doubt: Option<String>,
    /// The types that go into its socket, if they were asked for.
    pub substitutes: Option<Vec<Substitute<'t>>>,
    /// Where it is used, if that was asked for.
    pub uses: Option<Vec<TypeUse>>,
}

/// One part that is of a type.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TypeUse {
    /// The stage file.
    pub path: String,
    /// The part's designator.
    pub part: String,
    /// The section of the bottle that the statement speaks of.
    pub section: Option<u8>,
    /// The type as it is written there.
    pub written: String,
}

impl<'t> TubeAnswer<'t> {
    /// The data of a type.
    pub fn of(tube: &'t TubeType) -> Self {
        Self {
            tube,
            doubt: None,
            substitutes: None,
            uses: None,
        }
    }
}
