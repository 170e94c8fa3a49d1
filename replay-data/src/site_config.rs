//! The service's configuration for the simulated site, as an engineer would have written it.

use std::fmt::Write as _;

use crate::machine::{Mounting, Point};
use crate::waveform::{BEARING, SENSORS, WITH_SENSORS};
use crate::{Recording, site};

/// The configuration file as text.
pub(crate) fn text(recording: &Recording) -> String {
    let mut out = String::from(
        "# roundsman's configuration for the simulated site of this folder.\n\
         # Made by roundsman-replay-data; the site and its machines are invented.\n\n",
    );
    // Writing to a string does not fail.
    let _ = write!(out, "[site]\nname = \"{}\"\n", site::NAME);
    out.push_str(
        "\n[broker]\nurl = \"mqtt://localhost:1883\"\n\n[[topics]]\npattern = \"plant/{area}/{asset}/{point}\"\n\
         payload = { format = \"json\", value = \"/v\", time = \"/t\" }\n\n\
         [[topics]]\npattern = \"waveforms/{area}/{asset}/{point}\"\npayload = \"waveform\"\n\n\
         # Waveforms are asked for at advisories too. The long time is for the demo, which plays an hour in a moment.\n\
         [capture]\nadvisories = true\ntimeout = \"24 h\"\n",
    );
    for machine in site::machines(recording.about.seed) {
        let mounting = match machine.mounting {
            Mounting::Rigid => "rigid",
            Mounting::Flexible => "flexible",
        };
        let _ = write!(
            out,
            "\n[assets.{}]\narea = \"{}\"\nclass = \"{}\"\nrating = \"{} kW\"\nrated_speed = \"{} rpm\"\nmounting = \"{mounting}\"\n",
            machine.name, machine.area, machine.class, machine.rating_kw, machine.rated_speed_rpm
        );
        if WITH_SENSORS.contains(&machine.name) {
            let (elements, element, pitch, rating, load) = BEARING;
            let _ = write!(
                out,
                "\n[assets.{name}.bearings.drive-end]\nelements = {elements}\nelement_diameter = {element}\n\
                 pitch_diameter = {pitch}\nrating_kn = {rating}\nload_kn = {load}\n",
                name = machine.name
            );
            for (sensor, axis, _) in SENSORS {
                let _ = write!(
                    out,
                    "\n[assets.{}.sensors.{sensor}]\naxis = \"{axis}\"\nbearing = \"drive-end\"\n",
                    machine.name
                );
            }
        }
        for point in &machine.points {
            let _ = writeln!(out, "\n[assets.{}.points.{}]\n{}", machine.name, point.name, keys(point));
        }
    }
    out
}

fn keys(point: &Point) -> String {
    let mut keys = vec![
        format!("quantity = \"{}\"", point.model.quantity()),
        format!("unit = \"{}\"", point.unit),
        format!("role = \"{}\"", point.model.role()),
    ];
    keys.extend(point.model.detection().map(|detection| format!("detection = \"{detection}\"")));
    if let Some((warning, alarm)) = point.limits {
        keys.push(format!("warning_high = \"{warning} {unit}\"", unit = point.unit));
        keys.push(format!("alarm_high = \"{alarm} {unit}\"", unit = point.unit));
    }
    keys.join("\n")
}
