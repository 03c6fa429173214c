//! A netlist held against its own print.

/// Whether a stage solves in every setting and keeps the values of its print.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// Title of the stage.
    pub stage: String,
    /// One entry a setting, in the order of the file; a single entry with an
    /// empty name where the unit has none.
    pub settings: Vec<SettingCheck>,
}

/// One control setting of a [`Check`].
#[derive(Clone, Debug, PartialEq)]
pub struct SettingCheck {
    /// Name of the setting; empty if the unit has none.
    pub setting: String,
    /// Why no operating point was found; `None` where it solved.
    pub unsolved: Option<String>,
    /// What a person must be told beside the numbers.
    pub remarks: Vec<String>,
    /// The values of the print that hold in this setting, in the order of the file.
    pub expects: Vec<ExpectCheck>,
}

/// One value of the print beside the computed one.
#[derive(Clone, Debug, PartialEq)]
pub struct ExpectCheck {
    /// The point as the print names it.
    pub point: String,
    /// `volts`, `ohms`, `amps`, `panel`.
    pub kind: &'static str,
    /// Unit of the numbers.
    pub unit: String,
    /// What the print says.
    pub print: f64,
    /// How far off the print allows, as a fraction of its value.
    pub tolerance: f64,
    /// What the print's meter shows on the solved circuit.
    pub computed: f64,
    /// Whether the computed value lies within the tolerance.
    pub pass: bool,
}

impl Check {
    /// Whether every setting solved and every value of the print is kept.
    pub fn pass(&self) -> bool {
        self.settings.iter().all(|setting| {
            setting.unsolved.is_none() && setting.expects.iter().all(|expect| expect.pass)
        })
    }
}
