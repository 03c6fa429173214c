//! Every kind of bad input, with the whole message it gets.
//!
//! `check` compares the text a person sees, to the letter: a caret one column
//! off is a defect. A `|` bar opens the lines so that their spaces show.

use deadstage_netlist::{parse_readings, render};

use crate::fixtures::{PREAMPLIFIER, clean, names, parse};

/// The findings of a stage whose title is line 1.
fn shown(body: &str) -> String {
    let parsed = parse(&format!("stage \"x\"\n{body}"));
    parsed
        .diagnostics
        .iter()
        .map(|d| render(d, &parsed.sources, false))
        .collect()
}

/// The findings of a sheet of the preamplifier whose title is line 1.
fn shown_sheet(body: &str) -> String {
    let stage = clean(PREAMPLIFIER);
    let text = format!("readings \"x\"\n{body}");
    let parsed = parse_readings("test.readings", &text, &stage, &names());
    parsed
        .diagnostics
        .iter()
        .map(|d| render(d, &parsed.sources, false))
        .collect()
}

macro_rules! bad {
    ($($name:ident: $shown:ident $body:literal => $expected:literal)*) => {$(
        #[test]
        fn $name() {
            let actual = $shown($body);
            assert_eq!(actual.trim_end(), $expected.trim(), "\n{actual}");
        }
    )*};
}

bad! {
    unknown_keyword: shown "resitor R1 1k from a to b" => r#"
error[unknown-keyword]: no statement begins with `resitor`
 --> test.stage:2:1
  |
2 | resitor R1 1k from a to b
  | ^^^^^^^ unknown keyword
  |
  = help: did you mean `resistor`?
"#
    keyword_in_capitals: shown "Resistor R1 1k from a to b" => r#"
error[unknown-keyword]: no statement begins with `Resistor`
 --> test.stage:2:1
  |
2 | Resistor R1 1k from a to b
  | ^^^^^^^^ unknown keyword
  |
  = help: did you mean `resistor`?
"#
    sheet_keyword_in_a_stage: shown "volts plate1 5V" => r#"
error[unknown-keyword]: no statement begins with `volts`
 --> test.stage:2:1
  |
2 | volts plate1 5V
  | ^^^^^ unknown keyword
  |
  = help: `volts` belongs in a readings sheet
"#
    value_of_zero: shown "resistor R1 0 from a to b" => r#"
error[value-out-of-reason]: `0` is out of all reason for a resistor's value
 --> test.stage:2:13
  |
2 | resistor R1 0 from a to b
  |             ^ outside 100 µΩ to 100 GΩ
  |
  = help: is the prefix right? a resistance is written such as `4.7k`, `4K7` or `1M`
"#
    value_past_all_reason: shown "capacitor C1 100F from a to b" => r#"
error[value-out-of-reason]: `100F` is out of all reason for a capacitor's value
 --> test.stage:2:14
  |
2 | capacitor C1 100F from a to b
  |              ^^^^ outside 0.01 pF to 500 mF
  |
  = help: is the prefix right? a capacitance is written such as `20n`, `0.02uF` or `8mfd`
"#
    value_past_any_number: shown "resistor R1 1e999 from a to b" => r#"
error[value-out-of-reason]: `1e999` is out of all reason for a resistor's value
 --> test.stage:2:13
  |
2 | resistor R1 1e999 from a to b
  |             ^^^^^ past any number
  |
  = help: write a resistance such as `4.7k`, `4K7` or `1M`
"#
    missing_value: shown "resistor R1 from a to b" => r#"
error[not-a-value]: `from` stands where a resistor's value should be
 --> test.stage:2:13
  |
2 | resistor R1 from a to b
  |             ^^^^ not a resistance
  |
  = help: write a resistance such as `4.7k`, `4K7` or `1M`
"#
    value_that_never_comes: shown "resistor R1" => r#"
error[statement-ends-early]: the statement ends where a resistor's value should be
 --> test.stage:2:12
  |
2 | resistor R1
  |            ^ a resistor's value is missing
  |
  = help: write a resistance such as `4.7k`, `4K7` or `1M`
"#
    unknown_unit: shown "resistor R1 1.5z from a to b" => r#"
error[unknown-unit]: `z` in `1.5z` is no unit or prefix of a resistance
 --> test.stage:2:16
  |
2 | resistor R1 1.5z from a to b
  |                ^ unknown unit
  |
  = help: write a resistance such as `4.7k`, `4K7` or `1M`
"#
    unit_of_another_kind: shown "resistor R1 5V from a to b" => r#"
error[wrong-unit]: `5V` is a voltage, but a resistor's value should stand here
 --> test.stage:2:14
  |
2 | resistor R1 5V from a to b
  |              ^ should be a resistance
  |
  = help: write a resistance such as `4.7k`, `4K7` or `1M`
"#
    not_finite: shown "resistor R1 inf from a to b" => r#"
error[not-a-value]: `inf` stands where a resistor's value should be
 --> test.stage:2:13
  |
2 | resistor R1 inf from a to b
  |             ^^^ not a resistance
  |
  = help: write a resistance such as `4.7k`, `4K7` or `1M`
"#
    milliohm: shown "resistor R1 1m from a to b\nresistor R2 1k from a to b" => r#"
warning[milliohm]: `1m` is read as milliohms
 --> test.stage:2:13
  |
2 | resistor R1 1m from a to b
  |             ^^ `m` is milli
  |
  = help: write `M` or `meg` for megohms, a plain decimal such as `0.075` for milliohms
"#
    millifarad: shown "capacitor C1 8mF from a to b" => r#"
warning[millifarad]: `8mF` is read as millifarads
 --> test.stage:2:14
  |
2 | capacitor C1 8mF from a to b
  |              ^^^ `mF` is a thousand microfarads
  |
  = help: write `mf`, `mfd` or `uF` for microfarads
"#
    missing_end: shown "resistor R1 1k from a" => r#"
error[statement-ends-early]: the statement ends where `to NODE` should be
 --> test.stage:2:22
  |
2 | resistor R1 1k from a
  |                      ^ `to NODE` is missing
  |
  = help: say where it is wired: `from NODE to NODE`
"#
    part_wired_to_itself: shown "resistor R1 1k from a to A" => r#"
error[wired-to-itself]: `R1` is wired to itself: both ends are `A`
 --> test.stage:2:26
  |
2 | resistor R1 1k from a to A
  |                     -    ^ the same node
  |                     |
  |                     one end
  |
  = help: give its two ends different nodes
"#
    all_electrodes_on_one_node: shown "tube V1 6C4 plate=a grid=a cathode=a" => r#"
error[wired-to-itself]: `V1` is wired to itself: both ends are `a`
 --> test.stage:2:36
  |
2 | tube V1 6C4 plate=a grid=a cathode=a
  |                   - one end        ^ the same node
  |
  = help: give its two ends different nodes
"#
    unknown_properties: shown "resistor R1 1k 10 filn from a to b" => r#"
error[unknown-property]: `10` is no property of this part
 --> test.stage:2:16
  |
2 | resistor R1 1k 10 filn from a to b
  |                ^^ not known here
  |
  = help: here may stand a tolerance (`10%`), a power (`0.5W`), a voltage (`400V`), `composition`, `film`, `wirewound` or `from NODE to NODE`
error[unknown-property]: `filn` is no property of this part
 --> test.stage:2:19
  |
2 | resistor R1 1k 10 filn from a to b
  |                   ^^^^ not known here
  |
  = help: did you mean `film`?
"#
    repeated_property: shown "resistor R1 1k 10%\n  20% from a to b" => r#"
error[repeated-property]: `20%` states again what the statement has stated
 --> test.stage:3:3
  |
3 |   20% from a to b
  |   ^^^ stated before
"#
    property_of_another_kind: shown "capacitor C1 20n 1W from a to b" => r#"
error[unknown-property]: `1W` is no property of this part
 --> test.stage:2:18
  |
2 | capacitor C1 20n 1W from a to b
  |                  ^^ not known here
  |
  = help: here may stand a tolerance (`10%`), a voltage (`400V`), `paper`, `mica`, `ceramic`, `film`, `electrolytic`, `oil` or `from NODE to NODE`
"#
    tolerance_past_reason: shown "resistor R1 1k 150% from a to b" => r#"
error[value-out-of-reason]: `150%` is out of all reason for a tolerance
 --> test.stage:2:16
  |
2 | resistor R1 1k 150% from a to b
  |                ^^^^ more than 100%
  |
  = help: write a tolerance such as `10%`
"#
    duplicate_designator: shown "resistor R1 1k from a to b\ncapacitor r1 20n from a to b" => r#"
error[duplicate-designator]: `r1` is the designator of an earlier part
 --> test.stage:3:11
  |
2 | resistor R1 1k from a to b
  | -------------------------- first use
3 | capacitor r1 20n from a to b
  |           ^^ second use
  |
  = help: give every part a designator of its own
"#
    duplicate_section: shown "tube V1 12AX7 section 1 plate=a grid=b cathode=c\ntube V1 12AX7 section 1 plate=d grid=b cathode=c" => r#"
error[duplicate-designator]: `V1` is the designator of an earlier part
 --> test.stage:3:6
  |
2 | tube V1 12AX7 section 1 plate=a grid=b cathode=c
  | ------------------------------------------------ first use
3 | tube V1 12AX7 section 1 plate=d grid=b cathode=c
  |      ^^ second use
  |
  = help: section 1 of `V1` is wired already; is this another section?
"#
    sections_of_two_types: shown "tubetype MY triode mu 20 plate 250V grid -8V current 10mA gm 2mS\ntube V1 12AX7 section 1 plate=a grid=b cathode=c\ntube V1 MY section 1 plate=d grid=b cathode=c" => r#"
error[sections-disagree]: `V1` is a MY here and a 12AX7 above: one bottle has one type
 --> test.stage:4:6
  |
3 | tube V1 12AX7 section 1 plate=a grid=b cathode=c
  | ------------------------------------------------ a 12AX7
4 | tube V1 MY section 1 plate=d grid=b cathode=c
  |      ^^ a MY
"#
    bad_name: shown "resistor R/1 1k from a to b" => r#"
error[bad-name]: `R/1` can't be a designator: `/` is no part of a name
 --> test.stage:2:11
  |
2 | resistor R/1 1k from a to b
  |           ^ not in a name
  |
  = help: names are letters, digits and `_ - + .`
"#
    reserved_node: shown "resistor R1 1k from across to b" => r#"
error[bad-name]: `across` can't name a node: it says how something is measured
 --> test.stage:2:21
  |
2 | resistor R1 1k from across to b
  |                     ^^^^^^ not a node's name
"#
    unknown_tube_type: shown "tube V1 12AX8 plate=a grid=b cathode=c" => r#"
error[unknown-tube-type]: no tube of type `12AX8` is known
 --> test.stage:2:9
  |
2 | tube V1 12AX8 plate=a grid=b cathode=c
  |         ^^^^^ unknown type
  |
  = help: did you mean `12AX7`?
"#
    unknown_tube_type_with_nothing_near: shown "tube V1 XYZZY plate=a grid=b cathode=c" => r#"
error[unknown-tube-type]: no tube of type `XYZZY` is known
 --> test.stage:2:9
  |
2 | tube V1 XYZZY plate=a grid=b cathode=c
  |         ^^^^^ unknown type
  |
  = help: define it from a data-sheet operating point with `tubetype`
"#
    unknown_diode: shown "diode D1 silcon from a to b" => r#"
error[unknown-tube-type]: no diode of type `silcon` is known
 --> test.stage:2:10
  |
2 | diode D1 silcon from a to b
  |          ^^^^^^ unknown type
  |
  = help: did you mean `silicon`?
"#
    rectifier_as_amplifier: shown "tube V1 5Y3 plate=a cathode=c" => r#"
error[wrong-kind-of-tube]: a 5Y3 is a rectifier
 --> test.stage:2:9
  |
2 | tube V1 5Y3 plate=a cathode=c
  |         ^^^ another kind of tube
  |
  = help: write it as `rectifier` or `diode`
"#
    diode_of_an_amplifying_tube: shown "diode D1 6AT6 from a to b" => r#"
error[wrong-kind-of-tube]: a 6AT6 is an amplifying tube
 --> test.stage:2:10
  |
2 | diode D1 6AT6 from a to b
  |          ^^^^ another kind of tube
  |
  = help: write its diodes as `tube`: `tube V1 6AT6 section 2 plate=... cathode=...`
"#
    section_of_three_not_stated: shown "tube V1 6AT6 plate=a grid=b cathode=c" => r#"
warning[section-not-stated]: a 6AT6 has 3 sections and this does not say which
 --> test.stage:2:9
  |
2 | tube V1 6AT6 plate=a grid=b cathode=c
  |         ^^^^ taken as section 1
  |
  = help: add `section 1`, `section 2` or `section 3`, as the data sheet numbers its units
"#
    unknown_electrode: shown "tube V1 6C4 anode=a grid=b cathode=c" => r#"
error[unknown-electrode]: `anode` is no electrode of a tube
 --> test.stage:2:13
  |
2 | tube V1 6C4 anode=a grid=b cathode=c
  |             ^^^^^ unknown electrode
  |
  = help: did you mean `plate`?
"#
    electrode_the_type_has_not: shown "tube V1 6C4 plate=a screen=d grid=b cathode=c" => r#"
error[no-such-electrode]: a 6C4 has no screen
 --> test.stage:2:21
  |
2 | tube V1 6C4 plate=a screen=d grid=b cathode=c
  |                     ^^^^^^ not in this type
"#
    electrode_not_wired: shown "tube V1 6C4 plate=a cathode=c" => r#"
error[electrode-not-wired]: the grid of `V1` is not wired
 --> test.stage:2:6
  |
2 | tube V1 6C4 plate=a cathode=c
  |      ^^ no `grid=`
  |
  = help: add `grid=NODE`
"#
    no_such_section: shown "tube V1 12AX7 section 3 plate=a grid=b cathode=c" => r#"
error[no-such-section]: a 12AX7 has 2 sections
 --> test.stage:2:23
  |
2 | tube V1 12AX7 section 3 plate=a grid=b cathode=c
  |                       ^ no such section
"#
    section_not_stated: shown "tube V1 12AX7 plate=a grid=b cathode=c" => r#"
warning[section-not-stated]: a 12AX7 has 2 sections and this does not say which
 --> test.stage:2:9
  |
2 | tube V1 12AX7 plate=a grid=b cathode=c
  |         ^^^^^ taken as section 1
  |
  = help: add `section 1` or `section 2`, as the data sheet numbers its units
"#
    known_tube_type_redefined: shown "tubetype 6c4 triode mu 20 plate 250V grid -8V current 10mA gm 2mS" => r#"
error[duplicate-tube-type]: tube type `6c4` is in the table already
 --> test.stage:2:10
  |
2 | tubetype 6c4 triode mu 20 plate 250V grid -8V current 10mA gm 2mS
  |          ^^^ known type
  |
  = help: give your own type a name of its own
"#
    tube_type_incomplete: shown "tubetype MY pentode mu 20 plate 250V grid -8V current 10mA gm 2mS" => r#"
error[missing-property]: tube type `MY` does not give its screen's voltage and current
 --> test.stage:2:10
  |
2 | tubetype MY pentode mu 20 plate 250V grid -8V current 10mA gm 2mS
  |          ^^ its screen's voltage and current is missing
  |
  = help: add it from the data sheet: `screen 100V 0.6mA`
"#
    unused_setting: shown "settings receive transmit\nresistor R1 1k from a to b" => r#"
warning[unused-setting]: the setting `transmit` is never used
 --> test.stage:2:18
  |
2 | settings receive transmit
  |                  ^^^^^^^^ no switch is closed in it
  |
  = help: give a switch `closed in transmit`, or leave it out
"#
    unknown_setting: shown "settings receive transmit\nswitch S1 from a to b closed in transmitt" => r#"
error[unknown-setting]: no setting is called `transmitt`
 --> test.stage:3:33
  |
3 | switch S1 from a to b closed in transmitt
  |                                 ^^^^^^^^^ not in `settings`
  |
  = help: did you mean `transmit`?
"#
    no_settings_at_all: shown "switch S1 from a to b closed in transmit" => r#"
error[unknown-setting]: no setting is called `transmit`
 --> test.stage:2:33
  |
2 | switch S1 from a to b closed in transmit
  |                                 ^^^^^^^^ not in `settings`
  |
  = help: name the control settings in a `settings` statement of the stage file
"#
    unclosed_text: shown "notes \"open\nresistor R1 1k from a to b" => r#"
error[unclosed-text]: a quoted text is not closed on its line
 --> test.stage:2:7
  |
2 | notes "open
  |       ^^^^^ opens here
  |
  = help: close it with `"`
"#
    text_not_quoted: shown "notes open" => r#"
error[unexpected-word]: `open` stands where the note in quotes should be
 --> test.stage:2:7
  |
2 | notes open
  |       ^^^^ should be the note in quotes
  |
  = help: put the text in double quotes: `"Phono preamplifier"`
"#
    unknown_relay: shown "relay K1 5k pulls-in 8mA from a to b\ncontact K9 from a to b normally open" => r#"
error[unknown-relay]: no relay is called `K9`
 --> test.stage:3:9
  |
3 | contact K9 from a to b normally open
  |         ^^ unknown relay
  |
  = help: did you mean `K1`?
"#
    relay_given_up_is_not_reported_again: shown "relay K1 lots pulls-in 8mA from a to b\ncontact K1 from a to b normally open" => r#"
error[not-a-value]: `lots` stands where a relay's coil resistance should be
 --> test.stage:2:10
  |
2 | relay K1 lots pulls-in 8mA from a to b
  |          ^^^^ not a resistance
  |
  = help: write a resistance such as `4.7k`, `4K7` or `1M`
"#
    second_contact_of_one_name: shown "relay K1 5k pulls-in 8mA from a to b\ncontact K1 from a to b normally open\ncontact K1 from b to c normally open" => r#"
error[duplicate-designator]: `K1` is the designator of an earlier part
 --> test.stage:4:9
  |
3 | contact K1 from a to b normally open
  | ------------------------------------ first use
4 | contact K1 from b to c normally open
  |         ^^ second use
  |
  = help: give each further contact a designator of its own: `contact K1b of K1 ...`
"#
    unknown_transformer: shown "transformer T1\nwinding W1 200 of T2 from a to b" => r#"
error[unknown-transformer]: no transformer is called `T2`
 --> test.stage:3:19
  |
3 | winding W1 200 of T2 from a to b
  |                   ^^ unknown transformer
  |
  = help: did you mean `T1`?
"#
    unknown_node: shown "resistor R1 1k from plate1 to b\nexpect platr1 5V" => r#"
error[unknown-node]: no node is called `platr1`
 --> test.stage:3:8
  |
3 | expect platr1 5V
  |        ^^^^^^ unknown node
  |
  = help: did you mean `plate1`?
"#
    part_for_a_node: shown "resistor R1 1k from a to b\nexpect R1 5V" => r#"
error[unknown-node]: no node is called `R1`
 --> test.stage:3:8
  |
3 | expect R1 5V
  |        ^^ unknown node
  |
  = help: `R1` is a part: write `across R1` for the voltage over it
"#
    tube_for_a_node: shown "tube V1 6C4 plate=a grid=b cathode=c\nexpect V1 5V" => r#"
error[unknown-node]: no node is called `V1`
 --> test.stage:3:8
  |
3 | expect V1 5V
  |        ^^ unknown node
  |
  = help: `V1` is a part: name an electrode or a pin, as in `V1 plate` or `V1 pin 6`
"#
    pin_without_electrode: shown "tube V1 6C4 plate=a grid=b cathode=c\nexpect V1 pin 4 5V" => r#"
error[no-such-pin]: no electrode of a 6C4 is on pin 4
 --> test.stage:3:15
  |
3 | expect V1 pin 4 5V
  |               ^ no electrode here
  |
  = help: its electrodes are on pins 1, 6, 7
"#
    pin_of_a_type_of_the_file: shown "tubetype MY triode mu 20 plate 250V grid -8V current 10mA gm 2mS\ntube V1 MY plate=a grid=b cathode=c\nexpect V1 pin 1 5V" => r#"
error[no-basing]: the basing of a MY is not known
 --> test.stage:4:15
  |
4 | expect V1 pin 1 5V
  |               ^ pins not known
  |
  = help: name the electrode instead, as in `V1 plate`
"#
    pin_of_a_section_not_wired: shown "tube V1 12AX7 section 1 plate=a grid=b cathode=c\nexpect V1 pin 6 5V" => r#"
error[pin-not-wired]: pin 6 of `V1` is the plate of section 2, which this stage does not wire
 --> test.stage:3:15
  |
3 | expect V1 pin 6 5V
  |               ^ not wired
"#
    electrode_of_either_section: shown "tube V1 12AX7 section 1 plate=a grid=b cathode=c\ntube V1 12AX7 section 2 plate=d grid=b cathode=c\nexpect V1 plate 5V" => r#"
error[which-section]: `V1` has two sections in this stage
 --> test.stage:4:8
  |
4 | expect V1 plate 5V
  |        ^^ which one?
  |
  = help: write `V1 section 1 plate`
"#
    across_a_tube: shown "tube V1 6C4 plate=a grid=b cathode=c\nexpect across V1 5V" => r#"
error[not-two-ended]: `V1` has more than two ends
 --> test.stage:3:15
  |
3 | expect across V1 5V
  |               ^^ between which two?
  |
  = help: name a resistor or another part that has two ends
"#
    tolerance_of_zero_volts: shown "resistor R1 1k from a to b\nexpect a 0V ±0.5V" => r#"
error[tolerance-of-zero]: a tolerance is kept as a share of the value, and the value is zero
 --> test.stage:3:13
  |
3 | expect a 0V ±0.5V
  |             ^^^^^ a share of nothing
  |
  = help: leave the tolerance out
"#
    word_after_an_expected_value: shown "resistor R1 1k from a to b\nexpect a 5V roughly" => r#"
error[unexpected-word]: `roughly` stands where a tolerance, `in SETTING` or `with METER` should be
 --> test.stage:3:13
  |
3 | expect a 5V roughly
  |             ^^^^^^^ should be a tolerance, `in SETTING` or `with METER`
"#
    node_near_miss: shown "resistor R1 1k from cathode1 to b\nresistor R2 1k from catode1 to b\ncapacitor C1 1u from cathode1 to b" => r#"
warning[node-near-miss]: node `catode1` has one connection, and its name is one slip from `cathode1`
 --> test.stage:3:21
  |
2 | resistor R1 1k from cathode1 to b
  |                     -------- the other node
3 | resistor R2 1k from catode1 to b
  |                     ^^^^^^^ one connection
  |
  = help: did you mean `cathode1`?
"#
    two_mains_voltages: shown "line 117V\nline 110V" => r#"
error[repeated-statement]: a stage assumes one mains voltage
 --> test.stage:3:1
  |
2 | line 117V
  | --------- first `line`
3 | line 110V
  | ^^^^^^^^^ second `line`
"#
    two_commons: shown "common ground\ncommon chassis" => r#"
error[repeated-statement]: a stage has one common node
 --> test.stage:3:1
  |
2 | common ground
  | ------------- first `common`
3 | common chassis
  | ^^^^^^^^^^^^^^ second `common`
"#
    include_not_found: shown r#"include "hum.stage""# => r#"
error[include-failed]: "hum.stage" can't be read: there is no hum.stage
 --> test.stage:2:9
  |
2 | include "hum.stage"
  |         ^^^^^^^^^^^ not read
  |
  = help: the path is taken from the folder of the file that includes it
"#
    wiper_position_missing: shown "potentiometer VR1 1M from a to b wiper c" => r#"
error[statement-ends-early]: the statement ends where the wiper's position should be
 --> test.stage:2:41
  |
2 | potentiometer VR1 1M from a to b wiper c
  |                                         ^ the wiper's position is missing
  |
  = help: write `at 50%`, or `at ?` where it is not known
"#
    wiper_missing: shown "potentiometer VR1 1M at 50% from a to b" => r#"
error[statement-ends-early]: the statement ends where `wiper NODE` should be
 --> test.stage:2:40
  |
2 | potentiometer VR1 1M at 50% from a to b
  |                                        ^ `wiper NODE` is missing
  |
  = help: a potentiometer has three ends: `from NODE to NODE wiper NODE`
"#
    doubler_into_a_choke: shown "rectifier D1 silicon doubler 120V winding 5 input choke from a to b" => r#"
error[doubler-into-choke]: rectifier `D1` doubles into a choke
 --> test.stage:2:11
  |
2 | rectifier D1 silicon doubler 120V winding 5 input choke from a to b
  |           ^^ a doubler works by the capacitors that it charges
  |
  = help: write `input capacitor`, and the choke as a part of its own behind them
"#
    rectifier_incomplete: shown "rectifier V1 5Y3 full-wave 350V input choke from a to b" => r#"
error[missing-property]: rectifier `V1` does not say the winding's resistance
 --> test.stage:2:11
  |
2 | rectifier V1 5Y3 full-wave 350V input choke from a to b
  |           ^^ the winding's resistance is missing
  |
  = help: add the ohms of each side: `winding 60`
"#
    scale_without_two_ends: shown r#"meter M1 1mA 100 scale "500" from a to b"# => r#"
error[bad-scale]: "500" is no meter scale
 --> test.stage:2:24
  |
2 | meter M1 1mA 100 scale "500" from a to b
  |                        ^^^^^ not a scale
  |
  = help: write both ends and the unit: `scale "0-500 mA"`
"#
    defaults_of_no_part: shown "defaults resistors 10%" => r#"
error[unexpected-word]: `resistors` stands where a kind of part should be
 --> test.stage:2:10
  |
2 | defaults resistors 10%
  |          ^^^^^^^^^ should be a kind of part
  |
  = help: did you mean `resistor`?
"#
    tab_and_wide_letters_before_the_caret: shown "resistor\tR1\t4,7k from µé to b" => r#"
error[unknown-unit]: `,7k` in `4,7k` is no unit or prefix of a resistance
 --> test.stage:2:14
  |
2 | resistor    R1    4,7k from µé to b
  |                    ^^^ unknown unit
  |
  = help: the decimal sign is a point: write a resistance such as `4.7k`, `4K7` or `1M`
"#
    negative_supply: shown "supply B1 -12V from bias to chassis" => r#"
error[value-out-of-reason]: `-12V` is out of all reason for a supply's voltage
 --> test.stage:2:11
  |
2 | supply B1 -12V from bias to chassis
  |           ^^^^ outside 1.00 mV to 100 kV
  |
  = help: state the size, and wire `from` to the positive end
"#
    second_value_for_a_tolerance: shown "resistor R1 1k from a to b\nexpect a 165V 170V" => r#"
error[unexpected-word]: `170V` stands where a tolerance should be
 --> test.stage:3:15
  |
3 | expect a 165V 170V
  |               ^^^^ should be a tolerance
  |
  = help: write a tolerance such as `±15%` or `±2V`
"#
    tolerance_wider_than_reason: shown "resistor R1 1k from a to b\nexpect a 1V ±20V" => r#"
error[value-out-of-reason]: `±20V` is out of all reason for a tolerance
 --> test.stage:3:13
  |
3 | expect a 1V ±20V
  |             ^^^^ says nothing
"#
    names_of_a_file_not_found_are_not_reported: shown "include \"gone.stage\"\nresistor R1 1k from cathode1 to b\nresistor R2 1k from catode1 to b\nexpect plate1 5V\ncontact K1 from a to b normally open" => r#"
error[include-failed]: "gone.stage" can't be read: there is no gone.stage
 --> test.stage:2:9
  |
2 | include "gone.stage"
  |         ^^^^^^^^^^^^ not read
  |
  = help: the path is taken from the folder of the file that includes it
"#
    value_of_two_words: shown "resistor R1 100 k from a to b" => r#"
error[unknown-property]: `k` is no property of this part
 --> test.stage:2:17
  |
2 | resistor R1 100 k from a to b
  |                 ^ not known here
  |
  = help: a value and its unit are one word: `100k`
"#
    expected_value_of_two_words: shown "resistor R1 1k from a to b\nexpect a 150 V" => r#"
error[unexpected-word]: `V` stands where a tolerance, `in SETTING` or `with METER` should be
 --> test.stage:3:14
  |
3 | expect a 150 V
  |              ^ should be a tolerance, `in SETTING` or `with METER`
  |
  = help: a value and its unit are one word: `150V`
"#
    reading_of_two_words: shown_sheet "volts plate1 248 V" => r#"
error[unexpected-word]: `V` stands where `range`, `bench`, `with TUBE pulled` or `with PART lifted` should be
 --> test.readings:2:18
  |
2 | volts plate1 248 V
  |                  ^ should be `range`, `bench`, `with TUBE pulled` or `with PART lifted`
  |
  = help: a value and its unit are one word: `248V`
"#
    mains_of_two_words: shown_sheet "line 117 V" => r#"
error[unexpected-word]: the statement is complete before `V`
 --> test.readings:2:10
  |
2 | line 117 V
  |          ^ not expected here
  |
  = help: a value and its unit are one word: `117V`
"#
    unknown_point: shown_sheet "volts plat1 5V" => r#"
error[unknown-node]: no node is called `plat1`
 --> test.readings:2:7
  |
2 | volts plat1 5V
  |       ^^^^^ unknown node
  |
  = help: did you mean `plate1`?
"#
    unknown_part: shown_sheet "good R99" => r#"
error[unknown-part]: no part is called `R99`
 --> test.readings:2:6
  |
2 | good R99
  |      ^^^ unknown designator
  |
  = help: did you mean `R9`?
"#
    stage_keyword_in_a_sheet: shown_sheet "resistor R1 1k from a to b" => r#"
error[unknown-keyword]: no line of a readings sheet begins with `resistor`
 --> test.readings:2:1
  |
2 | resistor R1 1k from a to b
  | ^^^^^^^^ unknown keyword
  |
  = help: `resistor` belongs in a stage file
"#
    unknown_sheet_keyword: shown_sheet "vlots plate1 5V" => r#"
error[unknown-keyword]: no line of a readings sheet begins with `vlots`
 --> test.readings:2:1
  |
2 | vlots plate1 5V
  | ^^^^^ unknown keyword
  |
  = help: did you mean `volts`?
"#
    unknown_sheet_setting: shown_sheet "setting recieve" => r#"
error[unknown-setting]: no setting is called `recieve`
 --> test.readings:2:9
  |
2 | setting recieve
  |         ^^^^^^^ not in `settings`
  |
  = help: did you mean `receive`?
"#
    no_meter: shown_sheet "meter lots" => r#"
error[unexpected-word]: `lots` stands where a meter should be
 --> test.readings:2:7
  |
2 | meter lots
  |       ^^^^ should be a meter
  |
  = help: write `20k/V` for a pointer meter, `11M` for an electronic one, `ideal` for none
"#
    ohms_per_volt_forgotten: shown_sheet "meter 20k" => r#"
error[value-out-of-reason]: `20k` is out of all reason for a meter's input resistance
 --> test.readings:2:7
  |
2 | meter 20k
  |       ^^^ outside 50.0 kΩ to 1000 GΩ
  |
  = help: a pointer meter is written in ohms per volt: `20k/V`
"#
    amps_without_through: shown_sheet "amps R9 4mA" => r#"
error[unexpected-word]: `R9` stands where `through` should be
 --> test.readings:2:6
  |
2 | amps R9 4mA
  |      ^^ should be `through`
  |
  = help: a current is read through a part: `amps through R9 4.1mA`
"#
    volts_without_end: shown_sheet "volts plate1 inf" => r#"
error[unexpected-word]: `inf` stands where a voltage on a print or sheet should be
 --> test.readings:2:14
  |
2 | volts plate1 inf
  |              ^^^ should be a voltage on a print or sheet
  |
  = help: for a reading beyond the range write what it was above: `> 300V`
"#
    negative_ohms: shown_sheet "ohms plate1 -5" => r#"
error[value-out-of-reason]: `-5` is out of all reason for a resistance reading
 --> test.readings:2:13
  |
2 | ohms plate1 -5
  |             ^^ outside 0 Ω to 10000 GΩ
  |
  = help: is the prefix right? a resistance is written such as `4.7k`, `4K7` or `1M`
"#
    not_a_panel_meter: shown_sheet "panel R9 4" => r#"
error[not-a-meter]: `R9` is no panel meter
 --> test.readings:2:7
  |
2 | panel R9 4
  |       ^^ not a `meter`
"#
    tester_on_a_resistor: shown_sheet "tester R9 45%" => r#"
error[not-a-tube]: `R9` is no tube: a tube tester says nothing of it
 --> test.readings:2:8
  |
2 | tester R9 45%
  |        ^^ not a tube
"#
    tester_in_volts: shown_sheet "tester V1 45V" => r#"
error[unexpected-word]: `45V` stands where the tester's reading should be
 --> test.readings:2:11
  |
2 | tester V1 45V
  |           ^^^ should be the tester's reading
  |
  = help: write it in per cent of a new tube: `tester V1 45%`
"#
    unknown_look: shown_sheet "seen R9 brunt" => r#"
error[unexpected-word]: `brunt` stands where a visible fault should be
 --> test.readings:2:9
  |
2 | seen R9 brunt
  |         ^^^^^ should be a visible fault
  |
  = help: did you mean `burnt`?
"#
    pulled_resistor: shown_sheet "volts plate1 5V with R9 pulled" => r#"
error[not-pluggable]: `R9` sits in no socket
 --> test.readings:2:22
  |
2 | volts plate1 5V with R9 pulled
  |                      ^^ can't be pulled
  |
  = help: with one lead off, write `with R9 lifted`
"#
    lifted_tube: shown_sheet "volts plate1 5V with V1 lifted" => r#"
error[not-soldered]: `V1` is a tube: it has no lead to lift
 --> test.readings:2:22
  |
2 | volts plate1 5V with V1 lifted
  |                      ^^ can't be lifted
  |
  = help: out of its socket, write `with V1 pulled`
"#
    bench_current_at_a_node: shown_sheet "volts plate1 5V bench 80mA" => r#"
error[unexpected-word]: a bench current is sent through a panel meter, and shows on it or across it
 --> test.readings:2:17
  |
2 | volts plate1 5V bench 80mA
  |                 ^^^^^ not expected here
  |
  = help: write `panel M1 76mA bench 80mA` or `volts across M1 0.08V bench 80mA`
"#
    second_title: shown_sheet r#"readings "y""# => r#"
error[repeated-statement]: a readings sheet has one title
 --> test.readings:2:1
  |
1 | readings "x"
  | ------------ first title
2 | readings "y"
  | ^^^^^^^^^^^^ second title
"#
}
