//! The kinds of part as far as failing and scattering are concerned.

use serde::Deserialize;

/// A kind of part with its own ways to fail and its own scatter.
///
/// Finer than what a part does at DC: a paper and a mica capacitor obey one
/// law, and fail quite differently.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PartClass {
    /// Carbon composition resistor.
    CompositionResistor,
    /// Carbon or metal film resistor.
    FilmResistor,
    /// Wirewound resistor.
    WirewoundResistor,
    /// Potentiometer or rheostat.
    Potentiometer,
    /// Waxed or moulded paper capacitor.
    PaperCapacitor,
    /// Silvered or stacked mica capacitor.
    MicaCapacitor,
    /// Ceramic capacitor.
    CeramicCapacitor,
    /// Plastic film capacitor.
    FilmCapacitor,
    /// Aluminium electrolytic capacitor.
    ElectrolyticCapacitor,
    /// Oil-filled paper capacitor.
    OilCapacitor,
    /// Choke or coil.
    Choke,
    /// Transformer winding.
    Winding,
    /// Amplifying tube, a section at a time.
    Tube,
    /// Tube rectifier of a supply (vacuum or mercury vapour), with its winding.
    Rectifier,
    /// Silicon rectifiers of a supply, with their winding.
    SiliconRectifier,
    /// Small vacuum diode used as a detector, a clamp or a bias rectifier.
    VacuumDiode,
    /// Silicon or germanium diode.
    SolidDiode,
    /// Selenium rectifier.
    SeleniumDiode,
    /// Gas voltage-regulator tube.
    Regulator,
    /// Bipolar transistor.
    Transistor,
    /// Indicator or ballast lamp.
    Lamp,
    /// Fuse.
    Fuse,
    /// Wire link, jumper or joint drawn as a part.
    Link,
    /// Thermistor.
    Thermistor,
    /// Switch contact.
    Switch,
    /// Coil of a relay.
    RelayCoil,
    /// Contact of a relay.
    Contact,
    /// Moving-coil panel meter.
    PanelMeter,
    /// A supply drawn as a source with a source resistance.
    Supply,
}

impl PartClass {
    /// Every class, in the order of declaration.
    pub const ALL: [Self; 29] = [
        Self::CompositionResistor,
        Self::FilmResistor,
        Self::WirewoundResistor,
        Self::Potentiometer,
        Self::PaperCapacitor,
        Self::MicaCapacitor,
        Self::CeramicCapacitor,
        Self::FilmCapacitor,
        Self::ElectrolyticCapacitor,
        Self::OilCapacitor,
        Self::Choke,
        Self::Winding,
        Self::Tube,
        Self::Rectifier,
        Self::SiliconRectifier,
        Self::VacuumDiode,
        Self::SolidDiode,
        Self::SeleniumDiode,
        Self::Regulator,
        Self::Transistor,
        Self::Lamp,
        Self::Fuse,
        Self::Link,
        Self::Thermistor,
        Self::Switch,
        Self::RelayCoil,
        Self::Contact,
        Self::PanelMeter,
        Self::Supply,
    ];

    /// The class in the words of a parts list.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::CompositionResistor => "composition resistor",
            Self::FilmResistor => "film resistor",
            Self::WirewoundResistor => "wirewound resistor",
            Self::Potentiometer => "potentiometer",
            Self::PaperCapacitor => "paper capacitor",
            Self::MicaCapacitor => "mica capacitor",
            Self::CeramicCapacitor => "ceramic capacitor",
            Self::FilmCapacitor => "film capacitor",
            Self::ElectrolyticCapacitor => "electrolytic capacitor",
            Self::OilCapacitor => "oil capacitor",
            Self::Choke => "choke",
            Self::Winding => "winding",
            Self::Tube => "tube",
            Self::Rectifier => "tube rectifier",
            Self::SiliconRectifier => "silicon rectifier",
            Self::VacuumDiode => "vacuum diode",
            Self::SolidDiode => "solid-state diode",
            Self::SeleniumDiode => "selenium rectifier",
            Self::Regulator => "regulator tube",
            Self::Transistor => "transistor",
            Self::Lamp => "lamp",
            Self::Fuse => "fuse",
            Self::Link => "link",
            Self::Thermistor => "thermistor",
            Self::Switch => "switch",
            Self::RelayCoil => "relay coil",
            Self::Contact => "relay contact",
            Self::PanelMeter => "panel meter",
            Self::Supply => "supply",
        }
    }

    /// Whether it is a capacitor of any dielectric.
    #[must_use]
    pub fn is_capacitor(self) -> bool {
        matches!(
            self,
            Self::PaperCapacitor
                | Self::MicaCapacitor
                | Self::CeramicCapacitor
                | Self::FilmCapacitor
                | Self::ElectrolyticCapacitor
                | Self::OilCapacitor
        )
    }
}
