//! Which class of the parts tables a part of a stage belongs to.

use deadstage_netlist::{Dielectric, PartKind, ResistorMaterial};
use deadstage_parts::PartClass;

/// The class whose tolerances and failures hold for this part.
pub fn class_of(kind: &PartKind) -> PartClass {
    match kind {
        PartKind::Supply { .. } => PartClass::Supply,
        PartKind::Rectifier { tube_type, .. } => {
            let solid = ["silicon", "selenium"];
            if solid
                .iter()
                .any(|kind| tube_type.eq_ignore_ascii_case(kind))
            {
                PartClass::SiliconRectifier
            } else {
                PartClass::Rectifier
            }
        }
        PartKind::Resistor { material, .. } => match material {
            ResistorMaterial::Composition => PartClass::CompositionResistor,
            ResistorMaterial::Film => PartClass::FilmResistor,
            ResistorMaterial::Wirewound => PartClass::WirewoundResistor,
        },
        PartKind::Potentiometer { .. } => PartClass::Potentiometer,
        PartKind::Capacitor { dielectric, .. } => match dielectric {
            Dielectric::Paper => PartClass::PaperCapacitor,
            Dielectric::Mica => PartClass::MicaCapacitor,
            Dielectric::Ceramic => PartClass::CeramicCapacitor,
            Dielectric::Film => PartClass::FilmCapacitor,
            Dielectric::Electrolytic => PartClass::ElectrolyticCapacitor,
            Dielectric::Oil => PartClass::OilCapacitor,
        },
        PartKind::Choke { .. } => PartClass::Choke,
        PartKind::Winding { .. } => PartClass::Winding,
        PartKind::Tube { .. } => PartClass::Tube,
        PartKind::Diode { diode_type, .. } => match diode_type.to_ascii_lowercase().as_str() {
            "silicon" | "germanium" => PartClass::SolidDiode,
            "selenium" => PartClass::SeleniumDiode,
            _ => PartClass::VacuumDiode,
        },
        PartKind::Regulator { .. } => PartClass::Regulator,
        PartKind::Transistor { .. } => PartClass::Transistor,
        PartKind::Lamp { .. } => PartClass::Lamp,
        PartKind::Fuse { .. } => PartClass::Fuse,
        PartKind::Link { .. } => PartClass::Link,
        PartKind::Thermistor { .. } => PartClass::Thermistor,
        PartKind::Switch { .. } => PartClass::Switch,
        PartKind::Relay { .. } => PartClass::RelayCoil,
        PartKind::Contact { .. } => PartClass::Contact,
        PartKind::Meter { .. } => PartClass::PanelMeter,
    }
}
