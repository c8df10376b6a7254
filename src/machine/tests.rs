use std::ffi::OsStr;
use std::fs;

use proptest::prelude::*;
use serde_json::{Map, Value as Json, json};
use toml::de::{DeTable, DeValue};

use super::keys::{KEYS, Kind, Preset};
use super::source::parse_bytes;
use super::*;

const CHECKS: &[(&str, Severity)] = &[("feed-rate-clipped", Severity::Hold), ("cold-extrusion", Severity::NoGo)];

/// Every key of the contract.
const HERON: &str = r#"name = "Heron"                          # invented
[travel]
x = [0.0, 220.0]
y = [0.0, 220.0]
z = [0.0, 250.0]
bed = "rectangle"
home = [0.0, 0.0, 0.0]
homes_z_at_mm = [138, 98]
[[travel.keep_out]]
what = "bed clip"
x = [0.0, 18.0]
y = [205.0, 220.0]
z = [0.0, 8.0]
[motion]
drive_layout = "one-per-axis"
feed_rate_limit_mm_s = { x = 200.0, y = 200.0, z = 10.0, e = 60.0 }
acceleration_limit_mm_s2 = { x = 1500.0, y = 1500.0, z = 100.0, e = 5000.0 }
acceleration_mm_s2 = { printing = 1000.0, travel = 1500.0, retraction = 1600.0 }
look_ahead_moves = 16
corner = { jerk_mm_s = { x = 8.0, y = 8.0, z = 0.4, e = 5.0 } }
[controller]
extrusion_mode = "own-words"
obeys_limits_in_job = false
default_feed_rate_mm_s = 30
dwell_p = "seconds"
pause = "M226"
commands_per_line = "first"
steps_per_mm = { x = 80.0, y = 80.0, z = 400.0, e = 95.0 }
step_rate_limit_hz = 100000.0
command_rate_limit_hz = 800.0
serial_baud = 115200
line_length_limit_bytes = 96
acknowledge_s = 0.0005
thin_queue = { below = 0.6, least_s = 0.02 }
no_tool_number = 255
lacks = ["inches", "arcs"]
homing_s = 12
probing_s = 40
step_spread_s = 0.02
lead_jump_limit_mm_s = 6
sends_comments = true
[[tool]]
filament_diameter_mm = 1.75
nozzle_diameter_mm = 0.4
temperature_c = { limit = 260.0, extrude_min = 170.0 }
melt_rate_mm3_s = { sustained = 11.0, peak = 16.0 }
melt_window_s = 1.5
melt_rate_measured_at_c = 205
melt_zone = { length_mm = 12, melts_at_c = 150, diffusivity_mm2_s = 0.081 }
nozzle_offset_c = -5
layer_time_min_s = 6
retraction_limit_mm = 90.0
filaments = 3
heater_w = 40
block_mass_g = 22
specific_heat_j_g_k = 0.9
plastic_liner = true
liner_limit_c = 245
heating = { time_constant_s = 60.0, full_power_c = 300.0 }
density_g_cm3 = 1.24
filament_specific_heat_j_g_k = 1.8
on_spool_mm = 82000
retraction = { length_mm = 1.2, feed_rate_mm_s = 35, lift_mm = 0.2 }
extrusion_lead_s = 0.04
pressure_lag_s = 0.06
bulge_limit_mm3 = 0.15
[[tool]]
offset_mm = [18, 0, -0.1]
[[tool.melt_rate_at]]
nozzle_c = 230
sustained_mm3_s = 12
peak_mm3_s = 17
[[tool.melt_rate_at]]
nozzle_c = 200
sustained_mm3_s = 9
peak_mm3_s = 13
[[tool.pressure_lag_at]]
layer_mm = 0.3
lag_s = 0.05
[[tool.pressure_lag_at]]
layer_mm = 0.1
lag_s = 0.07
[[structure]]
axis = "x"
natural_hz = 47
damping_ratio = 0.06
[[structure]]
axis = "y"
natural_hz = 33.5
damping_ratio = 0.08
share = 0.7
[structure_limits]
ringing_mm = 0.03
[structure_limits.impulse_shaper]
x = { kind = "zvd", tuned_hz = 47, tuned_damping_ratio = 0.06 }
y = { kind = "ei", tuned_hz = 33 }
[[macro]]
name = "WARM_UP"
homes = true
nozzle_argument = "NOZZLE"
bed_argument = "BED"
chamber_argument = "CHAMBER"
lead_argument = "LEAD"
takes_s = 40.0
ends = true
harmless = true
[head.cone]
height_mm = 7.0
radius_mm = 5.0
[head.carriage]
above_mm = 9.0
x = [-34.0, 28.0]
y = [-22.0, 41.0]

[probe]
offset_mm = [-28, 12, -1.6]
[bed]
temperature_limit_c = 100.0
heater_w = 200
mass_g = 520
heating = { time_constant_s = 240, full_power_c = 130 }
[chamber]
temperature_limit_c = 60
[power]
electronics_w = 12
motors_w = 22
nozzle_w = 38
chamber_w = 150
[room]
ambient_c = 21.0
[checks]
feed-rate-clipped = "note"
cold-extrusion = "off"
[drive]
supply_v = 24
x = { motor_step_deg = 1.8, steps_per_full_step = 16, pulley_teeth = 20, belt_pitch_mm = 2, moving_mass_kg = 0.4 }
z = { motor_step_deg = 0.9, screw_lead_mm = 8, screw_friction = 0.2, reduction = 2, motors = 2, rated_current_peak_a = 1.5, coil_current_rms_a = 1 }
[drive.e]
advance_per_turn_mm = 34.5
holding_torque_nm = 0.4
inductance_mh = 2.8
resistance_ohm = 1.6
rotor_inertia_g_cm2 = 54
[bed.printable]
x = [5, 215]
y = [5, 215]
[[bed.purge]]
what = "strip"
x = [5, 215]
y = [0, 4]
"#;

fn heron() -> Machine {
    let tool = Tool {
        filament_diameter_mm: 1.75,
        nozzle_diameter_mm: Some(0.4),
        limit_c: Some(260.0),
        extrude_min_c: Some(170.0),
        sustained_mm3_s: Some(11.0),
        peak_mm3_s: Some(16.0),
        melt_rate_measured_at_c: Some(205.0),
        melt_by_heat: Some(MeltByHeat::Zone(MeltZone {
            length_mm: 12.0,
            melts_at_c: 150.0,
            feed_in_c: 21.0,
            diffusivity_mm2_s: 0.081,
            safety: 0.8,
        })),
        melt_window_s: 1.5,
        nozzle_offset_c: -5.0,
        layer_time_min_s: Some(6.0),
        filaments: 3,
        retraction_limit_mm: 90.0,
        heating: Some(Heating { time_constant_s: 60.0, full_power_c: 300.0 }),
        body: HeatedBody { heater_w: Some(40.0), mass_g: Some(22.0), specific_heat_j_g_k: 0.9 },
        plastic_liner: Some(true),
        liner_limit_c: Some(245.0),
        density_g_cm3: Some(1.24),
        filament_specific_heat_j_g_k: Some(1.8),
        on_spool_mm: Some(82_000.0),
        offset_mm: [0.0; 3],
        retraction: Some(Retraction {
            length_mm: 1.2,
            feed_rate_mm_s: 35.0,
            recover_extra_mm: 0.0,
            recover_feed_rate_mm_s: 35.0,
            lift_mm: 0.2,
        }),
        extrusion_lead_s: Some(0.04),
        pressure_lag: vec![LagRow { layer_mm: 0.0, lag_s: 0.06 }],
        bulge_limit_mm3: Some(0.15),
    };
    let row = |nozzle_c, sustained_mm3_s, peak: f64| MeltRow { nozzle_c, sustained_mm3_s, peak_mm3_s: Some(peak) };
    let second = Tool {
        nozzle_diameter_mm: None,
        limit_c: None,
        extrude_min_c: None,
        sustained_mm3_s: None,
        peak_mm3_s: None,
        melt_rate_measured_at_c: None,
        melt_by_heat: Some(MeltByHeat::Measured(vec![row(200.0, 9.0, 13.0), row(230.0, 12.0, 17.0)])),
        melt_window_s: 1.0,
        nozzle_offset_c: 0.0,
        layer_time_min_s: None,
        filaments: 1,
        retraction_limit_mm: 120.0,
        heating: None,
        body: HeatedBody::default(),
        plastic_liner: None,
        liner_limit_c: None,
        density_g_cm3: None,
        filament_specific_heat_j_g_k: None,
        on_spool_mm: None,
        offset_mm: [18.0, 0.0, -0.1],
        retraction: None,
        extrusion_lead_s: None,
        pressure_lag: vec![LagRow { layer_mm: 0.1, lag_s: 0.07 }, LagRow { layer_mm: 0.3, lag_s: 0.05 }],
        bulge_limit_mm3: None,
        ..tool
    };
    Machine {
        name: "Heron".into(),
        source: "workshop/heron.toml".into(),
        digest: format!("blake3:{}", blake3::hash(HERON.as_bytes()).to_hex()),
        text: HERON.to_owned(),
        known_checks: CHECKS.to_vec(),
        built_in: false,
        travel: Travel {
            min: [0.0; 3],
            max: [220.0, 220.0, 250.0],
            bed: BedShape::Rectangle,
            home: [0.0; 3],
            home_given: true,
            homes_z_at_mm: Some([138.0, 98.0]),
            keep_out: vec![KeepOut { what: "bed clip".into(), min: [0.0, 205.0, 0.0], max: [18.0, 220.0, 8.0] }],
            printable: Some(Rectangle { min: [5.0; 2], max: [215.0; 2] }),
            purge: vec![PurgeZone { what: "strip".into(), area: Rectangle { min: [5.0, 0.0], max: [215.0, 4.0] } }],
        },
        motion: Motion {
            drive_layout: DriveLayout::OnePerAxis,
            limits: Limits {
                feed_rate_mm_s: [200.0, 200.0, 10.0, 60.0],
                acceleration_mm_s2: [1500.0, 1500.0, 100.0, 5000.0],
                printing_mm_s2: 1000.0,
                travel_mm_s2: 1500.0,
                retraction_mm_s2: 1600.0,
                corner: CornerRule::Jerk,
                jerk_mm_s: [8.0, 8.0, 0.4, 5.0],
                lead_s: 0.04,
                lead_jump_mm_s: 6.0,
                junction_deviation_mm: 0.0,
            },
            look_ahead: LookAhead::Moves(16),
            ramp: Ramp::Trapezoid,
        },
        drive: drives(),
        structure: Structure {
            modes: vec![
                Mode { along: Direction::X, natural_hz: 47.0, damping_ratio: 0.06, share: 1.0 },
                Mode { along: Direction::Y, natural_hz: 33.5, damping_ratio: 0.08, share: 0.7 },
            ],
            ringing_limit_mm: Some(0.03),
            shapers: [
                Some(ImpulseShaper { kind: ShaperKind::Zvd, tuned_hz: 47.0, tuned_damping_ratio: 0.06 }),
                Some(ImpulseShaper { kind: ShaperKind::Ei, tuned_hz: 33.0, tuned_damping_ratio: 0.0 }),
            ],
        },
        controller: Controller {
            extrusion_mode: ExtrusionMode::OwnWords,
            obeys_limits_in_job: false,
            default_feed_rate_mm_s: 30.0,
            dwell_p_s: 1.0,
            pause: Some("M226".to_owned()),
            first_command_only: true,
            steps_per_mm: [Some(80.0), Some(80.0), Some(400.0), Some(95.0)],
            step_rate_limit_hz: Some(100_000.0),
            command_rate_limit_hz: Some(800.0),
            serial_baud: Some(115_200.0),
            sends_comments: true,
            acknowledge_s: Some(0.0005),
            thin_queue: Some(ThinQueue { below: 0.6, least_s: 0.02 }),
            line_length_limit_bytes: Some(96),
            lacks: vec![Feature::Arcs, Feature::Inches],
            homing_s: Some(12.0),
            probing_s: Some(40.0),
            no_tool_number: Some(255.0),
            step_spread_s: Some(0.02),
            tool_change_s: None,
        },
        tools: vec![tool, second],
        macros: vec![Macro {
            name: "WARM_UP".to_owned(),
            homes: true,
            heats: [Some("NOZZLE".to_owned()), Some("BED".to_owned()), Some("CHAMBER".to_owned())],
            takes_s: 40.0,
            leaves_at_mm: None,
            acceleration_argument: None,
            lead_argument: Some("LEAD".to_owned()),
            jerk_argument: None,
            right_angle_argument: None,
            ends: true,
            harmless: true,
        }],
        head: Some(Head {
            cone: Some(Cone { height_mm: 7.0, radius_mm: 5.0 }),
            carriage: Some(Carriage { above_mm: 9.0, area: Rectangle { min: [-34.0, -22.0], max: [28.0, 41.0] } }),
        }),
        probe_offset_mm: Some([-28.0, 12.0, -1.6]),
        bed: Some(Bed {
            limit_c: Some(100.0),
            heating: Some(Heating { time_constant_s: 240.0, full_power_c: 130.0 }),
            body: HeatedBody { heater_w: Some(200.0), mass_g: Some(520.0), ..HeatedBody::default() },
        }),
        chamber: Some(Chamber { limit_c: Some(60.0), heating: None }),
        power: Some(Power {
            electronics_w: 12.0,
            motors_w: 22.0,
            nozzle_w: Some(38.0),
            bed_w: Some(200.0),
            chamber_w: Some(150.0),
        }),
        ambient_c: 21.0,
        clock: None,
        severities: [
            ("feed-rate-clipped".to_owned(), Override::Severity(Severity::Note)),
            ("cold-extrusion".to_owned(), Override::Off),
        ]
        .into(),
        origins: Default::default(),
    }
}

fn drives() -> Drives {
    let x = Drive {
        motor_step_deg: Some(1.8),
        steps_per_full_step: Some(16),
        transmission: Some(Transmission::Belt { pulley_teeth: 20, pitch_mm: 2.0 }),
        moving_mass_kg: Some(0.4),
        ..Drive::default()
    };
    let z = Drive {
        motor_step_deg: Some(0.9),
        transmission: Some(Transmission::Screw { lead_mm: 8.0, pitch_diameter_mm: None, friction: Some(0.2) }),
        reduction: 2.0,
        motors: 2,
        rated_current_a: Some(1.5),
        rated_by_old_name: true,
        coil_current_rms_a: Some(1.0),
        ..Drive::default()
    };
    let e = Drive {
        transmission: Some(Transmission::Measured { per_turn_mm: 34.5 }),
        holding_torque_nm: Some(0.4),
        inductance_mh: Some(2.8),
        resistance_ohm: Some(1.6),
        rotor_inertia_g_cm2: Some(54.0),
        ..Drive::default()
    };
    Drives { supply_v: Some(24.0), axes: [x, Drive::default(), z, e], ..Drives::default() }
}

const LEAST: &str = "[travel]\nx = [0, 100]\ny = [0, 100]\nz = [0, 100]\n[motion]\n\
    feed_rate_limit_mm_s = { x = 1e9, y = 1e9, z = 1e9, e = 1e9 }\n\
    acceleration_limit_mm_s2 = { x = 1e9, y = 1e9, z = 1e9, e = 1e9 }\n\
    acceleration_mm_s2 = { printing = 1, travel = 1, retraction = 1 }\n\
    corner = { junction_deviation_mm = 0 }\n[[tool]]\nfilament_diameter_mm = 2\n";

fn parse(text: &str) -> Result<Machine, SheetFaults> {
    parse_bytes("workshop/heron.toml", text.as_bytes(), CHECKS)
}

/// `line:column message | suggestion` of every fault.
fn faults(text: &str) -> Vec<String> {
    let faults = parse(text).expect_err("the sheet has faults").faults;
    let one = |fault: Fault| {
        let suggestion = fault.suggestion.map_or(String::new(), |suggestion| format!(" | {suggestion}"));
        format!("{}:{} {}{suggestion}", fault.line, fault.column, fault.message)
    };
    faults.into_iter().map(one).collect()
}

#[test]
fn full_sheet_resolves() {
    let mut machine = parse(HERON).unwrap();
    machine.origins = Default::default();
    assert_eq!(machine, heron());
}

#[test]
fn least_sheet_gets_the_defaults() {
    let machine = parse(LEAST).unwrap();
    assert_eq!(machine.name, "heron");
    assert_eq!(machine.motion.look_ahead, LookAhead::Moves(16));
    assert_eq!(machine.motion.limits.corner, CornerRule::JunctionDeviation);
    assert_eq!(machine.motion.limits.feed_rate_mm_s, [1e9; 4]);
    assert_eq!(machine.controller.extrusion_mode, ExtrusionMode::LatestWord);
    assert!(machine.controller.obeys_limits_in_job);
    assert_eq!(machine.controller.default_feed_rate_mm_s, 25.0);
    assert_eq!(machine.controller.dwell_p_s, 0.001);
    assert_eq!(machine.controller.steps_per_mm, [None; 4]);
    assert_eq!((machine.bed, machine.chamber, machine.ambient_c), (None, None, 20.0));
    assert_eq!((machine.travel.bed, machine.travel.home), (BedShape::Rectangle, [0.0; 3]));
    assert_eq!(machine.tools[0].melt_window_s, 1.0);
    assert_eq!(parse_bytes("", LEAST.as_bytes(), CHECKS).unwrap().name, "unnamed machine");
}

#[test]
fn valid_extremes_pass() {
    for (from, to) in [
        ("x = [0, 100]", "x = [-1e6, 1e6]"),
        ("[motion]", "[motion]\nlook_ahead_moves = \"unlimited\""),
        ("[motion]", "[motion]\nlook_ahead_moves = 1"),
        ("[motion]", "[motion]\nlook_ahead_moves = 65536"),
        ("junction_deviation_mm = 0", "jerk_mm_s = { x = 0, y = 0, z = 0, e = 0 }"),
        ("[[tool]]", "[[tool]]\ntemperature_c = { limit = 200, extrude_min = 0 }"),
        ("[[tool]]", "[[tool]]\nheating = { time_constant_s = 1, full_power_c = 100 }\ntemperature_c.limit = 300"),
        ("[motion]", "[bed]\n[chamber]\n[controller]\n[motion]"),
        ("[travel]", "\u{feff}[travel]"),
        ("\n", "\r\n"),
    ] {
        let text = LEAST.replace(from, to);
        assert_ne!(text, LEAST);
        assert_eq!(parse(&text).map_err(|faults| faults.to_string()).err(), None, "{to}");
    }
}

#[test]
fn three_towers_have_a_disc_bed_unless_told_otherwise() {
    let text = LEAST.replace("[motion]", "[motion]\ndrive_layout = \"three-towers\"");
    let machine = parse(&text).unwrap();
    assert_eq!(machine.travel.bed, BedShape::Disc);
    assert_eq!(machine.motion.drive_layout, DriveLayout::ThreeTowers { arms_mm: None });
    let text = text.replace("[motion]", "bed = \"rectangle\"\n[motion]\ntowers = { arm_mm = 230, radius_mm = 110 }");
    let machine = parse(&text).unwrap();
    assert_eq!(machine.travel.bed, BedShape::Rectangle);
    assert_eq!(machine.motion.drive_layout, DriveLayout::ThreeTowers { arms_mm: Some((230.0, 110.0)) });
}

#[test]
fn all_faults_of_a_sheet_are_reported_at_once_and_located() {
    let text = r#"nme = "Wren"
[travel]
x = [220.0, 0.0]
y = [0.0, "far"]
z = 250
dwell_p = "minutes"
[motion]
drive_layout = "crossed-belt"
feed_rate_limit = 3
feed_rate_limit_mm_s = { x = 200, y = -1, z = 0, e = nan }
acceleration_limit_mm_s2 = { x = 1e13, y = inf, z = "100", e = 5000 }
acceleration_mm_s2 = { printing = 1000, travel = 1500 }
look_ahead_moves = 0
corner = { jerk_mm_s = { x = 8, y = 8, z = 0.4, e = 5 }, junction_deviation_mm = 0.02 }
[controler]
obeys_limits_in_job = "true"
[[tool]]
temperature_c = { limit = 200, extrude_min = 210 }
melt_rate_mm3_s = { sustained = 20, peak = 10 }
é = 1
[checks]
feed-rate-cliped = "note"
cold-extrusion = "nogo"
"#;
    let expected = [
        "1:1 there is no key `nme` in the top of the sheet | did you mean `name`?",
        "3:5 `x` is reversed: 220 is above 0 | write [0.0, 220.0]",
        "4:11 `y` must be two numbers, the lower first, found text",
        "5:5 `z` must be two numbers, the lower first, found a number | for example [0.0, 250.0]",
        "6:1 there is no key `dwell_p` in `travel` | `dwell_p` belongs in [controller]",
        "8:16 `drive_layout` must be \"one-per-axis\", \"crossed-belts\" or \"three-towers\", found \"crossed-belt\" | did you mean \"crossed-belts\"?",
        "9:1 there is no key `feed_rate_limit` in `motion` | did you mean `feed_rate_limit_mm_s`?",
        "10:39 `y` must be above 0, found -1",
        "10:47 `z` must be above 0, found 0",
        "10:54 `e` must be a finite number | write 1e9 for no limit",
        "11:34 `x` must be at most 1e12 mm/s², found 1e13 | write 1e9 for no limit",
        "11:44 `y` must be a finite number | write 1e9 for no limit",
        "11:53 `z` must be a number above 0, at most 1e12, found text | write 100.0 without quotes",
        "12:22 `motion.acceleration_mm_s2` lacks `retraction`: acceleration of moves of the extruder alone, mm/s². | for example retraction = 1500.0",
        "13:20 `look_ahead_moves` must be at least 1, found 0",
        "14:10 `corner` takes `jerk_mm_s` or `junction_deviation_mm`, not both | keep the rule the controller was built with",
        "15:2 there is no key `controler` in the top of the sheet | did you mean `controller`?",
        "17:1 `tool[0]` lacks `filament_diameter_mm`: filament diameter, mm. | for example filament_diameter_mm = 1.75",
        "18:32 `extrude_min` 210 is above `limit` 200 of line 18 | lower `extrude_min` or raise `limit`",
        "19:21 `sustained` 20 is above `peak` 10 of line 19 | lower `sustained` or raise `peak`",
        "20:1 not TOML: invalid unquoted key, expected letters, numbers, `-`, `_`",
        "22:1 there is no check `feed-rate-cliped` | did you mean `feed-rate-clipped`?",
        "23:18 `cold-extrusion` must be \"no-go\", \"hold\", \"note\" or \"off\", found \"nogo\" | did you mean \"no-go\"?",
    ];
    assert_eq!(faults(text), expected);
}

#[test]
fn one_line_that_is_no_toml_does_not_hide_or_invent_others() {
    let text = LEAST.replace("y = [0, 100]", "y =").replace("[motion]", "[motion]\nlook_ahed_moves = 3");
    let found = faults(&text);
    assert_eq!(found.len(), 2, "{found:?}");
    assert_eq!(found[0], "3:4 not TOML: a key without a value");
    assert_eq!(found[1], "6:1 there is no key `look_ahed_moves` in `motion` | did you mean `look_ahead_moves`?");

    let found = faults(&LEAST.replace("[motion]", "[motion"));
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].starts_with("5:8 not TOML"), "{found:?}");

    let found = faults(&LEAST.replace("z = [0, 100]", "just words\nz = [0, 100]\nz = [0, 90]"));
    assert_eq!(found.len(), 2, "{found:?}");
    assert_eq!(found[1], "6:1 `z` is written a second time | keep one of the two");
}

#[test]
fn columns_count_characters() {
    assert_eq!(faults(&LEAST.replace("[travel]\n", "[travel]\nbed = 'ümlaute' # ä\n"))[0][..5], *"2:7 `");
    let text = LEAST.replace("= { x = 1e9,", "= { \"é\" = 1, x = 1e9,");
    assert!(faults(&text)[0].starts_with("6:26 there is no key `é`"), "{:?}", faults(&text));
    let marked = format!("\u{feff}nam = 1\n{LEAST}");
    assert!(faults(&marked)[0].starts_with("1:1 there is no key `nam`"), "{:?}", faults(&marked));
}

#[test]
fn single_faults_point_to_their_place() {
    for (from, to, expected) in [
        ("[[tool]]", "[tool]", "10:1 `tool` must be a list of tables, at most 64, found a table | write [[tool]]"),
        ("[travel]", "[[travel]]", "1:1 `travel` must be a table, found a list | write [travel]"),
        ("[[tool]]", "[[tool]]\nnozzle_diameter_mm = 1e999", "11:22 `nozzle_diameter_mm` must be a finite number"),
        ("[motion]", "[motion]\nlook_ahead_moves = 1.5", "6:20 `look_ahead_moves` must be a whole number, found 1.5"),
        (
            "[motion]",
            "[motion]\nlook_ahead_moves = \"unlimted\"",
            "6:20 `look_ahead_moves` must be a whole number from 1 to 65536, or \"unlimited\", found \"unlimted\" \
             | did you mean \"unlimited\"?",
        ),
        (
            "[motion]",
            "[motion]\ntowers = { arm_mm = 9, radius_mm = 1 }",
            "6:1 `towers` is for drive_layout \"three-towers\", not \"one-per-axis\" \
             | set drive_layout = \"three-towers\" or remove `towers`",
        ),
        (
            "[motion]",
            "[motion]\ndrive_layout = \"three-towers\"\ntowers = { arm_mm = 9, radius_mm = 9 }",
            "7:24 `radius_mm` 9 must be below `arm_mm` 9: the arms would not reach",
        ),
        (
            "[motion]",
            "[bed]\nheating = { time_constant_s = 9, full_power_c = 20 }\n[motion]",
            "6:34 `full_power_c` 20 does not reach above the room's 20 °C: the heater would never heat \
             | write the temperature reached after a long time at full power",
        ),
        (
            "corner = { junction_deviation_mm = 0 }",
            "corner = {}",
            "9:10 `corner` needs `jerk_mm_s` or `junction_deviation_mm`",
        ),
        (
            "[motion]",
            "[controller]\nlacks = [\"arcs\", \"arcs\"]\n[motion]",
            "6:18 \"arcs\" is listed twice in `lacks`",
        ),
        (
            "[motion]",
            "[controller]\nobeys_limits_in_job = 1\n[motion]",
            "6:23 `obeys_limits_in_job` must be true or false, found a number",
        ),
        ("[travel]", "name = \"\"\n[travel]", "1:8 `name` is empty"),
        ("[travel]", "name = \"a\\u001b[2J\"\n[travel]", "1:8 `name` must be one line without control characters"),
        ("z = [0, 100]", "z = [5, 5]", "4:5 `z` is empty: both ends are 5 | write the lowest and the highest value"),
        (
            "z = [0, 100]",
            "z = [0, 100]\nhome = [0, 0]",
            "5:8 `home` must be a list of 3 numbers, found 2 | for example [0.0, 0.0, 0.0]",
        ),
        (
            "z = [0, 100]",
            "z = [0, 100]\nhomes_z_at_mm = [50, 50, 0]",
            "5:17 `homes_z_at_mm` must be a list of 2 numbers, found 3 | for example [110.0, 110.0]",
        ),
        (
            "z = [0, 100]",
            "z = [0, 100]\nhomes_z_at_mm = [50, 101]",
            "5:1 `homes_z_at_mm` lies outside travel: y 101 is not within 0 to 100 \
             | write where the nozzle is in machine coordinates while Z is homed",
        ),
        (
            "z = [0, 100]\n[motion]",
            "z = [0, 100]\nhomes_z_at_mm = [50, 50]\n[motion]\ndrive_layout = \"three-towers\"",
            "5:1 `homes_z_at_mm` is not for three towers: they home together | leave it out",
        ),
        (
            "[motion]",
            "[[travel.keep_out]]\nwhat = \"screw\"\nx = [0, 1]\ny = [0, 1]\n[motion]",
            "5:1 `travel.keep_out[0]` lacks `z`: lowest and highest z of the box, mm. | for example z = [0.0, 8.0]",
        ),
    ] {
        let text = LEAST.replacen(from, to, 1);
        assert_ne!(text, LEAST);
        assert_eq!(faults(&text), [expected]);
    }
}

#[test]
fn melt_rates_at_temperatures_must_go_together() {
    let faults = |tool: &str| {
        let text = format!("{LEAST}{tool}");
        let faults = parse(&text).expect_err(tool).faults;
        faults.into_iter().map(|fault| (fault.line, fault.message)).collect::<Vec<_>>()
    };
    let tool = LEAST.lines().count();
    let zone = "melt_zone = { length_mm = 12, melts_at_c = 150, diffusivity_mm2_s = 0.081 }\n";
    let row = |c: f64, rates: &str| format!("[[tool.melt_rate_at]]\nnozzle_c = {c}\n{rates}\n");
    let sound = format!("{LEAST}{zone}melt_rate_mm3_s = {{ sustained = 9 }}\nmelt_rate_measured_at_c = 200\n");
    let machine = parse(&sound).expect("is sound");
    let Some(MeltByHeat::Zone(found)) = &machine.tools[0].melt_by_heat else { panic!("a zone") };
    assert_eq!((found.feed_in_c, found.safety), (20.0, 0.8), "the room, and the default");
    let both = faults(&format!("{zone}{}", row(200.0, "sustained_mm3_s = 9")));
    assert_eq!(
        both,
        [(tool + 1, "`melt_zone` and `melt_rate_at` on one tool: a melt rate comes from one of them".into())]
    );
    // All faults at once, each at its line.
    let rows = [
        row(200.0, "sustained_mm3_s = 9\npeak_mm3_s = 8"),
        row(200.0, "sustained_mm3_s = 9\npeak_mm3_s = 12"),
        row(220.0, "sustained_mm3_s = 9"),
    ];
    let found = faults(&rows.concat());
    let says = |at: usize, text: &str| {
        assert!(found.iter().any(|(line, said)| *line == at && said.contains(text)), "{text}: {found:?}");
    };
    assert_eq!(found.len(), 3, "{found:?}");
    says(tool + 3, "`sustained_mm3_s` 9 is above `peak_mm3_s` 8");
    says(tool + 6, "`nozzle_c` is that of line");
    says(tool + 10, "no `peak_mm3_s` here");
    for (keys, text) in [
        ("melt_rate_measured_at_c = 200\n".to_owned(), "without a rate that was measured"),
        (
            format!("{zone}melt_rate_mm3_s = {{ sustained = 9 }}\nmelt_rate_measured_at_c = 150\n"),
            "nothing melts there",
        ),
        (zone.replace("melts_at_c = 150", "melts_at_c = 15"), "`feed_in_c` 20 must be below `melts_at_c` 15"),
        (zone.replace("melts_at_c = 150", "melts_at_c = 150, feed_in_c = 160"), "`feed_in_c` 160 must be below"),
    ] {
        let found = faults(&keys);
        assert!(found.len() == 1 && found[0].1.contains(text), "{keys}: {found:?}");
    }
}

#[test]
fn faults_of_lags_are_told() {
    let faults = |keys: &str| {
        let sheet = format!("{LEAST}{keys}");
        parse(&sheet)
            .map_or_else(|faults| faults.faults.into_iter().map(|fault| fault.message).collect(), |_| Vec::new())
    };
    let row = |layer: f64| format!("[[tool.pressure_lag_at]]\nlayer_mm = {layer:?}\nlag_s = 0.05\n");
    assert_eq!(faults("pressure_lag_s = 0.05\nbulge_limit_mm3 = 0.1\n"), Vec::<String>::new());
    assert_eq!(faults(&(row(0.2) + &row(0.1))), Vec::<String>::new());
    for (keys, text) in [
        ("bulge_limit_mm3 = 0.1\n".to_owned(), "`bulge_limit_mm3` does nothing"),
        (format!("pressure_lag_s = 0.05\n{}", row(0.2)), "comes from one of them"),
        (row(0.2) + &row(0.2), "`layer_mm` is that of line"),
        ("pressure_lag_s = 0\n".to_owned(), "pressure_lag_s"),
        ("[controller]\nstep_spread_s = 0.02\n".to_owned(), "`step_spread_s` does nothing"),
    ] {
        let found = faults(&keys);
        assert!(found.len() == 1 && found[0].contains(text), "{keys}: {found:?}");
    }
}

#[test]
fn every_required_key_is_missed() {
    let whole = toml_to_json(HERON);
    let mut missed = 0;
    for key in KEYS.iter().filter(|key| matches!(key.preset, Preset::Required | Preset::RequiredInFirst)) {
        let pointer = format!("/{}", key.path.trim_end_matches("[]").replace("[]", ".0").replace('.', "/"));
        // The second tool has the lists: one tool takes no zone and no single lag beside them.
        let pointer = pointer.replace("/tool/0/melt_rate_at", "/tool/1/melt_rate_at");
        let pointer = pointer.replace("/tool/0/pressure_lag_at", "/tool/1/pressure_lag_at");
        let mut less = whole.clone();
        let (table, name) = pointer.rsplit_once('/').unwrap();
        if less.pointer_mut(table).and_then(Json::as_object_mut).and_then(|table| table.remove(name)).is_none() {
            let elsewhere = ["motion.towers", "motion.ramp.jerk_mm_s3", "chamber.heating", "clock."];
            assert!(elsewhere.iter().any(|table| key.path.starts_with(table)), "{}", key.path);
            continue;
        }
        let text = less.as_object().unwrap().iter().map(|(k, v)| format!("{k} = {}\n", inline(v))).collect::<String>();
        let found = parse(&text).expect_err(key.path).faults;
        assert_eq!(found.len(), 1, "{}: {found:?}", key.path);
        assert!(found[0].message.contains(&format!("`{}`", key.name())), "{}: {found:?}", key.path);
        assert!(found[0].suggestion.is_some());
        missed += 1;
    }
    assert!(missed > 30);
}

/// JSON as an inline TOML value.
fn inline(value: &Json) -> String {
    match value {
        Json::Object(members) => {
            let members: Vec<String> =
                members.iter().map(|(name, value)| format!("{name} = {}", inline(value))).collect();
            format!("{{ {} }}", members.join(", "))
        }
        Json::Array(items) => format!("[{}]", items.iter().map(inline).collect::<Vec<_>>().join(", ")),
        other => other.to_string(),
    }
}

fn toml_to_json(text: &str) -> Json {
    fn table(table: &DeTable<'_>) -> Json {
        Json::Object(table.iter().map(|(k, v)| (k.get_ref().to_string(), json(v.get_ref()))).collect::<Map<_, _>>())
    }
    fn json(value: &DeValue<'_>) -> Json {
        match value {
            DeValue::String(text) => json!(text),
            DeValue::Integer(integer) => json!(integer.as_str().parse::<i64>().unwrap()),
            DeValue::Float(float) => json!(float.as_str().parse::<f64>().unwrap()),
            DeValue::Boolean(value) => json!(value),
            DeValue::Datetime(value) => json!(value.to_string()),
            DeValue::Array(items) => Json::Array(items.iter().map(|item| json(item.get_ref())).collect()),
            DeValue::Table(members) => table(members),
        }
    }
    table(DeTable::parse(text).unwrap().get_ref())
}

#[test]
fn schema_and_reader_agree() {
    let schema = super::schema::schema_for(CHECKS);
    assert!(jsonschema::meta::is_valid(&schema));
    let validator = jsonschema::validator_for(&schema).unwrap();
    for good in [HERON, LEAST, Machine::built_in_text()] {
        assert!(validator.is_valid(&toml_to_json(good)), "{:?}", validator.iter_errors(&toml_to_json(good)).next());
    }
    for (from, to) in [
        ("[motion]", "[motion]\nlook_ahead_moves = 0"),
        ("[motion]", "[motion]\nlook_ahead_moves = \"many\""),
        ("[motion]", "[motion]\ntowers = { arm_mm = 9 }"),
        ("x = [0, 100]", "x = [0]"),
        ("x = [0, 100]", "x = [0, 1e7]"),
        ("x = [0, 100]", ""),
        ("printing = 1,", "printing = 0,"),
        ("printing = 1,", "printing = \"1\","),
        ("junction_deviation_mm = 0", ""),
        ("corner = { ", "corner = { jerk_mm_s = { x = 1, y = 1, z = 1, e = 1 }, "),
        ("filament_diameter_mm = 2", ""),
        ("[travel]", "name = \"\"\n[travel]"),
        ("[travel]", "name = \"\\u0007\"\n[travel]"),
        ("[travel]", "colour = 3\n[travel]"),
        ("[[tool]]", "[checks]\nno-such-check = \"off\"\n[[tool]]"),
        ("[[tool]]", "[checks]\ncold-extrusion = \"maybe\"\n[[tool]]"),
        ("[[tool]]", "[controller]\nlacks = [\"arcs\", \"arcs\"]\n[[tool]]"),
        ("[[tool]]", "[controller]\nlacks = [\"wings\"]\n[[tool]]"),
    ] {
        let text = LEAST.replacen(from, to, 1);
        assert_ne!(text, LEAST);
        assert!(parse(&text).is_err(), "the reader takes {to}");
        assert!(!validator.is_valid(&toml_to_json(&text)), "the schema takes {to}");
    }
}

#[test]
fn keys_are_in_order() {
    let mut paths = std::collections::BTreeSet::new();
    for key in KEYS {
        assert!(paths.insert(key.path), "{} twice", key.path);
        assert!(key.table().is_empty() || paths.contains(key.table()), "{} before its table", key.path);
        assert!(!key.doc.ends_with('.'), "{}", key.path);
        assert_eq!(key.example.is_empty(), key.is_table(), "{}", key.path);
        if !key.is_table() {
            assert!(super::resolve::default_value(key, key.example).is_some(), "example of {}", key.path);
        }
        if let Preset::Value(text) = key.preset {
            assert!(super::resolve::default_value(key, text).is_some(), "default of {}", key.path);
        }
        for (ending, unit) in
            [("_mm", "mm"), ("_s", "s"), ("_hz", "Hz"), ("_bytes", "bytes"), ("mm_s", "mm/s"), ("_c", "°C")]
        {
            let fits = key.is_table() || !key.name().ends_with(ending) || key.unit.contains(unit);
            assert!(fits, "unit of {}", key.path);
        }
    }
    let words: Vec<&str> = Feature::ALL.iter().map(|feature| feature.word()).collect();
    assert_eq!(keys::find("controller.lacks").unwrap().kind, Kind::ListOf(words.leak()));
    assert_eq!(key_table().len(), KEYS.len());
}

#[test]
fn origins_name_every_key() {
    let machine = parse(HERON).unwrap();
    for key in KEYS.iter().filter(|key| !key.is_table()) {
        let rows = machine.origins.iter().filter(|origin| keys::template(&origin.path) == key.path).count();
        assert_eq!(
            rows,
            if key.path.starts_with("tool[]") || key.path.starts_with("structure[]") { 2 } else { 1 },
            "{}",
            key.path
        );
    }
    let of = |path: &str| {
        let origin = machine.origins.iter().find(|origin| origin.path == path).unwrap();
        format!("{} ({})", origin.value, origin.from)
    };
    assert_eq!(of("name"), "\"Heron\" (line 1)");
    assert_eq!(of("motion.corner.jerk_mm_s.z"), "0.4 (line 20)");
    assert_eq!(of("motion.corner.junction_deviation_mm"), " (not set)");
    assert_eq!(of("controller.lacks"), "[\"inches\", \"arcs\"] (line 36)");
    assert_eq!(of("tool[0].retraction.recover_feed_rate_mm_s"), "35.0 (default)");
    assert_eq!(of("tool[1].filament_diameter_mm"), "1.75 (default)");
    assert_eq!(of("tool[1].offset_mm"), "[18.0, 0.0, -0.1] (line 68)");
    assert_eq!(of("tool[1].retraction.lift_mm"), " (not set)");
    assert_eq!(of("checks.cold-extrusion"), "\"off\" (line 133)");
    let machine = parse(LEAST).unwrap();
    let of = |path: &str| machine.origins.iter().find(|origin| origin.path == path).unwrap().clone();
    assert_eq!(of("checks.cold-extrusion").value, "\"no-go\"");
    assert_eq!(of("travel.bed").value, "\"rectangle\"");
    assert_eq!(of("travel.keep_out").value, "[]");
    assert_eq!((of("name").value, of("name").from), ("\"heron\"".into(), "default".into()));
}

#[test]
fn origins_that_nobody_has_asked_for_are_the_same_as_those_asked_for_before() {
    let asked = parse(LEAST).unwrap();
    assert!(asked.origins.len() > KEYS.len() / 2);
    let (copy, never) = (asked.clone(), parse(LEAST).unwrap());
    assert_eq!(never.origins.to_vec(), copy.origins.to_vec());
    // The name is that of the file, where the sheet gives none.
    let [elsewhere, named] = [&never, &parse(HERON).unwrap()].map(|machine| machine.from_elsewhere("shop/tern.toml"));
    let of = |machine: &Machine| (machine.name.clone(), machine.origins[0].value.clone(), machine.origins.len());
    assert_eq!(of(&elsewhere), ("tern".to_owned(), "\"tern\"".to_owned(), never.origins.len()));
    assert_eq!(of(&never).0, "heron");
    assert_eq!((of(&named).0, of(&named).1), ("Heron".to_owned(), "\"Heron\"".to_owned()));
}

#[test]
fn defaults_are_read_like_values_of_the_sheet() {
    for key in KEYS {
        let Preset::Value(text) = key.preset else { continue };
        let read = value::read(key, &DeValue::parse(text).unwrap());
        assert_eq!(resolve::default_value(key, text), Some(read.unwrap()), "{}", key.path);
    }
    // What no sheet has a table of is never looked up.
    let [reduction, motors] =
        ["reduction", "motors"].map(|name| keys::find(&format!("drive.x.{name}")).unwrap().preset);
    assert_eq!((reduction, motors), (Preset::Value("1.0"), Preset::Value("1")));
    let drive = Drive::default();
    assert_eq!((drive.reduction, drive.motors), (1.0, 1));
}

#[test]
fn built_in_machine_is_sound() {
    let machine = Machine::built_in();
    assert!(machine.built_in);
    assert_eq!((machine.name.as_str(), machine.source.as_str()), ("built-in cautious machine", "built-in"));
    assert_eq!(machine.travel.max, [200.0, 200.0, 180.0]);
}

#[test]
fn faults_render_with_the_line_they_point_into() {
    let faults = parse("[travel]\nx = [9.0, 1.0]\n").unwrap_err();
    let plain = render_faults(&faults, false);
    assert_eq!(plain, faults.to_string());
    assert!(plain.contains("workshop/heron.toml:2:5\n"), "{plain}");
    assert!(plain.contains("2 | x = [9.0, 1.0]\n  |     ^^^^^^^^^^"), "{plain}");
    assert!(plain.contains("write [1.0, 9.0]"), "{plain}");
    assert!(plain.ends_with("workshop/heron.toml: 5 faults; nothing was judged"), "{plain}");
    assert!(!plain.contains('\u{1b}'));
    assert!(render_faults(&faults, true).contains('\u{1b}'));
}

#[test]
fn long_lines_are_cut_around_the_fault() {
    let line = format!("[checks]\n{}wren = 1\n", " ".repeat(3000));
    let rendered = parse(&format!("{LEAST}{line}")).unwrap_err().to_string();
    assert!(rendered.contains("workshop/heron.toml:13:3001\n"), "{rendered}");
    assert!(rendered.contains("wren = 1") && rendered.len() < 1500, "{rendered}");
    let rendered = parse(&format!("\u{feff}\tnam = 1\n{LEAST}")).unwrap_err().to_string();
    assert!(rendered.contains("toml:1:2\n  |\n1 |  nam = 1\n  |  ^^^\n"), "{rendered}");
}

#[test]
fn odd_bytes_are_faults_not_panics() {
    let error = parse_bytes("wren.toml", b"name = \"W\xffren\"\n", CHECKS).unwrap_err();
    assert_eq!((error.faults[0].line, error.faults[0].column), (1, 10));
    assert!(error.to_string().contains("byte 0xFF is not UTF-8"), "{error}");
    let error = parse_bytes("wren.toml", b"# \xc3\xa4\n# \xc3\xa9 \xe2\x82", CHECKS).unwrap_err();
    assert_eq!((error.faults[0].line, error.faults[0].column), (2, 5));
    let error = parse_bytes("wren.toml", &vec![b'#'; SHEET_MAX_BYTES + 1], CHECKS).unwrap_err();
    assert!(error.faults[0].message.contains("at most 1048576 bytes"));
    let error = parse_bytes("\u{1b}[2J.toml", b"x\x1b = 1", CHECKS).unwrap_err();
    assert!(!error.to_string().contains('\u{1b}'));
}

#[test]
fn hostile_sheets_end_soon() {
    let long_key = "a.".repeat(79) + "a";
    let deep = format!("[{long_key}]\n{long_key}={}1{}", format!("{{{long_key}=").repeat(78), "}".repeat(78));
    assert!(parse(&deep).is_err());
    for unit in ["x\n", "a.b=1\n", "a=[", "[[tool]]\n", "=", "\"", "[a]\n", "\0"] {
        let error = parse(&unit.repeat(SHEET_MAX_BYTES / unit.len())).unwrap_err();
        assert!(!error.faults.is_empty() && error.faults.len() <= FAULTS_MAX);
        assert!(error.to_string().len() < 200_000, "{unit:?}");
    }
    let one_line = format!("a = {{ {} }}", "é = 1, ".repeat(9000));
    assert!(parse(&one_line).unwrap_err().to_string().len() < 200_000);
    let many: String = (0..50_000).map(|i| format!("k{i}=1\n")).collect();
    let error = parse(&many).unwrap_err();
    assert_eq!(error.faults.len() + error.more, 50_003);
    assert!(error.to_string().contains("50003 faults, the first 100 shown"));
    let tools = format!("{LEAST}{}", "[[tool]]\n".repeat(64));
    assert_eq!(faults(&tools), ["10:3 `tool` must be 1 to 64 tables, found 65"]);
}

#[test]
fn a_sheet_is_looked_for_in_order() {
    let dir = tempfile::tempdir().unwrap();
    let inner = dir.path().join("jobs/today");
    fs::create_dir_all(&inner).unwrap();
    let write = |name: &str| {
        let path = dir.path().join(name);
        fs::write(&path, format!("name = \"{name}\"\n{LEAST}")).unwrap();
        path
    };
    let (wren, bittern) = (write("wren.toml"), write("bittern.toml"));
    write(SHEET_FILE);
    let named = |explicit, env: Option<&OsStr>| discover(explicit, env, &inner, &[]).unwrap().name;
    assert_eq!(named(Some(wren.as_path()), Some(bittern.as_os_str())), "wren.toml");
    assert_eq!(named(None, Some(bittern.as_os_str())), "bittern.toml");
    assert_eq!(named(None, Some(OsStr::new(""))), "gonogo.toml");
    assert_eq!(named(None, None), "gonogo.toml");
    let missing = dir.path().join("none.toml");
    let error = discover(None, Some(missing.as_os_str()), &inner, &[]).unwrap_err();
    assert!(matches!(&error, SheetError::Read { .. }));
    assert!(error.to_string().ends_with("none.toml (named by GONOGO_MACHINE)"), "{error}");
    assert!(Machine::load(dir.path()).is_err());
}

fn toml_like() -> impl Strategy<Value = String> {
    let paths: Vec<&str> = KEYS.iter().map(|key| key.path).collect();
    let values = vec![
        "1",
        "-0.0",
        "nan",
        "inf",
        "\"a\"",
        "[1,2]",
        "[]",
        "{}",
        "{x=1}",
        "[{}]",
        "true",
        "\"\"\"",
        "1e999",
        "1979-05-27",
    ];
    let line = (prop::sample::select(paths), prop::sample::select(values), 0..4u8).prop_map(|(path, value, form)| {
        let path = path.replace("[]", "");
        match form {
            0 => format!("[{path}]\n"),
            1 => format!("[[{path}]]\n"),
            2 => format!("{path} = {value}\n"),
            _ => format!("{} = {value}\n", path.rsplit('.').next().unwrap_or_default()),
        }
    });
    prop::collection::vec(line, 0..30).prop_map(|lines| lines.concat())
}

fn rendered_without_panic(bytes: &[u8]) -> Result<(), TestCaseError> {
    if let Err(faults) = parse_bytes("wren.toml", bytes, CHECKS) {
        prop_assert!(!faults.faults.is_empty());
        prop_assert!(faults.faults.is_sorted_by_key(|fault| fault.span.start));
        prop_assert!(faults.faults.iter().all(|fault| fault.line >= 1 && fault.column >= 1));
        prop_assert!(!render_faults(&faults, false).is_empty());
        prop_assert!(!render_faults(&faults, true).is_empty());
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        rendered_without_panic(&bytes)?;
    }

    #[test]
    fn no_text_panics(text in "(\\PC|[\\[\\]={}\"'#.\n\r\t ]){0,120}") {
        rendered_without_panic(text.as_bytes())?;
    }

    #[test]
    fn no_sheet_panics(text in toml_like()) {
        rendered_without_panic(text.as_bytes())?;
    }

    #[test]
    fn no_damaged_sheet_panics(at in 0..HERON.len(), byte in any::<u8>()) {
        let mut bytes = HERON.as_bytes().to_vec();
        bytes[at] = byte;
        rendered_without_panic(&bytes)?;
    }

    #[test]
    fn what_the_reader_takes_the_schema_takes(text in toml_like()) {
        let whole = format!("{LEAST}{text}");
        if parse(&whole).is_ok() {
            let validator = jsonschema::validator_for(&super::schema::schema_for(CHECKS)).unwrap();
            prop_assert!(validator.is_valid(&toml_to_json(&whole)), "{}", whole);
        }
    }
}

/// A sheet with these lines in `[drive.x]`, from line 6 on.
fn driven(lines: &str) -> String {
    LEAST.replace("[motion]", &format!("[drive.x]\n{lines}\n[motion]"))
}

#[test]
fn drives_have_one_transmission_and_all_of_it() {
    let whole = driven("pulley_teeth = 20\nbelt_pitch_mm = 2.0");
    let machine = parse(&whole).unwrap();
    let [x, y, ..] = machine.drive.axes;
    assert_eq!(x.transmission, Some(Transmission::Belt { pulley_teeth: 20, pitch_mm: 2.0 }));
    assert_eq!((x.reduction, x.motors, y), (1.0, 1, Drive::default()));
    for (lines, expected) in [
        ("pulley_teeth = 20", "6:1 `pulley_teeth` says nothing without `belt_pitch_mm` | write `belt_pitch_mm` too"),
        ("belt_pitch_mm = 2", "6:1 `belt_pitch_mm` says nothing without `pulley_teeth` | write `pulley_teeth` too"),
        (
            "pulley_teeth = 20\nbelt_pitch_mm = 2\nscrew_lead_mm = 8",
            "8:1 `screw_lead_mm` and `pulley_teeth` of line 6 are written both | keep what moves the axis",
        ),
        (
            "hob_diameter_mm = 11",
            "6:1 there is no key `hob_diameter_mm` in `drive.x` | `hob_diameter_mm` belongs in `drive.e`",
        ),
        ("pulley_teeth = 20\nbelt_pitch_mm = 0", "7:17 `belt_pitch_mm` must be above 0, found 0"),
        ("motor_step_deg = 361", "6:18 `motor_step_deg` must be at most 360 °, found 361"),
    ] {
        assert_eq!(faults(&driven(lines)), [expected]);
    }
    let extruder = LEAST.replace("[motion]", "[drive.e]\nhob_diameter_mm = 11\nadvance_per_turn_mm = 34\n[motion]");
    let both = "7:1 `advance_per_turn_mm` and `hob_diameter_mm` of line 6 are written both | keep the measured one";
    assert_eq!(faults(&extruder), [both]);
}

/// Published arithmetic of the trade: 200 full steps × 16 over a pulley of 20 teeth at 2 mm, or over a lead of 8 mm.
#[test]
fn steps_per_mm_from_the_drive() {
    let drive = Drive { motor_step_deg: Some(1.8), steps_per_full_step: Some(16), ..Drive::default() };
    let with = |transmission, reduction| {
        let transmission = Some(transmission);
        Drive { transmission, reduction, ..drive }.steps_per_mm().unwrap()
    };
    let close = |value: f64, expected: f64| assert!((value - expected).abs() < 1e-9 * expected, "{value}");
    close(with(Transmission::Belt { pulley_teeth: 20, pitch_mm: 2.0 }, 1.0), 80.0);
    close(with(Transmission::Screw { lead_mm: 8.0, pitch_diameter_mm: None, friction: None }, 1.0), 400.0);
    close(with(Transmission::Hob { diameter_mm: 32.0 / std::f64::consts::PI }, 1.0), 100.0);
    close(with(Transmission::Measured { per_turn_mm: 32.0 }, 3.0), 300.0);
    assert_eq!(drive.steps_per_mm(), None);
}

#[test]
fn diagonals_swing_with_crossed_belts_only() {
    let mode = |axis: &str| format!("[[structure]]\naxis = \"{axis}\"\nnatural_hz = 51.0\ndamping_ratio = 0.04\n");
    let crossed = LEAST.replacen("[motion]", "[motion]\ndrive_layout = \"crossed-belts\"", 1);
    let machine = parse(&format!("{crossed}{}{}", mode("x-y"), mode("x+y"))).unwrap();
    assert_eq!(machine.structure.directions(), [Direction::Sum, Direction::Difference]);
    assert_eq!(machine.structure.along(Direction::Difference).map(|(i, _)| i).collect::<Vec<_>>(), [0]);
    let faults = parse(&format!("{LEAST}{}{}", mode("x"), mode("x+y"))).unwrap_err().to_string();
    assert!(faults.contains("`axis` \"x+y\" is for drive_layout \"crossed-belts\", not \"one-per-axis\""), "{faults}");
    assert!(faults.contains("1 fault;"), "{faults}");
    let damped = mode("x").replace("0.04", "1.0");
    assert!(parse(&format!("{LEAST}{damped}")).unwrap_err().to_string().contains("at most 0.9, found 1"));
    let seventeen = mode("y").repeat(17);
    assert!(parse(&format!("{LEAST}{seventeen}")).unwrap_err().to_string().contains("0 to 16 tables, found 17"));
}
