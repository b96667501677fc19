//! Profiles from files: what they give, what they refuse, and where they are found.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use meltwright::error::{Error, ErrorKind};
use meltwright::profile::{
    Assignment, Cooling, Corner, DwellWords, Env, Excess, Found, Kinematics, Origin, Output, PartMoves, Preset,
    Profile, Provenance, System, find,
};
use proptest::prelude::*;

#[path = "support/promises/tables.rs"]
#[allow(dead_code, reason = "sheets have a test of their own")]
mod tables;

use tables::{contents, loads_or_tells};

/// Faults as plain text: place, what, the marked part, label, help.
fn render(error: &Error) -> String {
    let ErrorKind::Profile(faults) = error.kind() else {
        return format!("{error}\n  help: {}\n", error.kind().help().unwrap_or_default());
    };
    let mut text = format!("{error}\n");
    for fault in faults {
        writeln!(text, "error: {}", fault.what).unwrap();
        if let Some(excerpt) = &fault.excerpt {
            let margin = format!("{:>4}:{:<3}| ", excerpt.line, excerpt.column);
            writeln!(text, "{margin}{}", excerpt.text).unwrap();
            let mark = "^".repeat((excerpt.end - excerpt.start).max(1));
            writeln!(text, "{:1$}{mark} {2}", "", margin.len() + excerpt.start, fault.label).unwrap();
            assert_eq!(excerpt.label, fault.label);
        } else {
            writeln!(text, "  label: {}", fault.label).unwrap();
        }
        if let Some(help) = &fault.help {
            writeln!(text, "  help: {help}").unwrap();
        }
    }
    text
}

fn set(assignments: &[&str]) -> Vec<Assignment> {
    assignments.iter().map(|text| text.parse().unwrap()).collect()
}

#[test]
fn good_profiles_load_and_show_what_is_in_force() {
    insta::glob!("../fixtures/profiles", "ok/*.toml", |path| {
        let profile = Found::Explicit(path.to_owned()).load(&[]).map_err(|error| render(&error)).unwrap();
        insta::assert_snapshot!(profile.show());
        let again = Profile::load(&profile.show(), "shown").map_err(|error| render(&error)).unwrap();
        assert_eq!(contents(&again), contents(&profile));
        assert_eq!(again.fingerprint(), profile.fingerprint());
    });
}

#[test]
fn bad_profiles_say_everything_that_is_wrong() {
    insta::glob!("../fixtures/profiles", "bad/*.toml", |path| {
        let error = Found::Explicit(path.to_owned()).load(&[]).unwrap_err();
        assert_eq!(error.file(), Some(path));
        insta::assert_snapshot!(render(&error));
    });
}

/// What no single file of the fixtures shows.
#[test]
fn guesses_are_made_where_they_can_be_good() {
    let of = |text: &str| render(&Profile::load(text, "x.toml").unwrap_err());
    let near = of("[machine]\npart_moves = \"xz\"\n");
    assert!(near.contains("did you mean \"xy\""), "{near}");
    let far = of("[machine]\npart_moves = \"x\"\n");
    assert!(far.contains("must be \"y\", \"xy\" or \"none\"") && !far.contains("did you mean"), "{far}");
    for json in ["{\n  \"file\": \"pads.gcode\",\n  \"beads\": 3\n}\n", "\u{feff} [\n{\"a\": 1}]"] {
        let told = of(json);
        assert!(told.contains("this is JSON") && told.matches("error:").count() == 1, "{told}");
    }
    for (section, typed, meant) in [
        ("screw", "max_rpm", "max_speed_rpm"),
        ("machine", "max_acceleration", "max_accel_mm_s2"),
        ("screw", "max_ramp", "max_ramp_error"),
    ] {
        let told = of(&format!("[{section}]\n{typed} = 3\n"));
        assert!(told.contains(&format!("did you mean `{section}.{meant}`?")), "{told}");
    }
    assert!(Profile::load("[[screw]]\n", "x.toml").is_err_and(|error| !error.to_string().contains("JSON")));
}

#[test]
fn defaults_are_whole_and_assumed() {
    let profile = Profile::load(Profile::template(), "template").map_err(|error| render(&error)).unwrap();
    let embedded = Profile::embedded();
    assert_eq!(contents(&profile), contents(&embedded));
    for entry in embedded.entries() {
        assert_eq!(entry.provenance, Provenance::Assumed, "{}", entry.key);
        let of_machine = ["machine.corner", "machine.axis_speed_mm_s", "machine.axis_accel_mm_s2"];
        let rule = entry.key.starts_with("controller.") && entry.key != "controller.preset";
        let rule = rule || of_machine.contains(&entry.key);
        assert_eq!(entry.origin, if rule { Origin::Preset } else { Origin::Default }, "{}", entry.key);
        assert!(Profile::meaning(entry.key).is_some());
    }
    assert!(embedded.notes.is_empty());
    assert_eq!(embedded.cautions(), []);

    assert_eq!(embedded.machine.kinematics.value, Kinematics::Cartesian);
    assert_eq!(embedded.machine.part_moves.value, PartMoves::Y);
    assert_eq!(embedded.machine.corner.value, Corner::RightAngleSpeed(5.0));
    assert_eq!(embedded.screw.output.value, Output::Constant(15.0));
    assert_eq!(embedded.screw.virtual_diameter_mm.value, None);
    assert_eq!(embedded.screw.tools.value, [0]);
    assert_eq!(embedded.screw.axis.value, b'E');
    assert_eq!(embedded.feedstock.lot.value, None);
}

/// Without this, a value left out of the defaults would be a silent zero.
#[test]
fn every_key_stands_in_the_defaults_or_in_every_preset() {
    let template = Profile::template();
    for preset in ["host", "board", "network", "custom"] {
        let profile = Profile::embedded_with(&set(&[&format!("controller.preset={preset}")])).unwrap();
        for entry in profile.entries() {
            let (_, name) = entry.key.split_once('.').unwrap();
            let set = template.lines().any(|line| line.starts_with(&format!("{name} = ")));
            let unset = template.lines().any(|line| line.starts_with(&format!("# {name} = ")));
            assert!(set || unset, "{name} is not shown in the template");
            if !set && entry.origin == Origin::Default {
                assert_eq!(entry.value, "\"none\"", "{name} has no value in the defaults or the preset {preset}");
            }
            if entry.key.starts_with("controller.") && entry.key != "controller.preset" {
                assert_eq!(entry.origin, Origin::Preset, "{name} is missing from the preset {preset}");
            }
        }
    }
}

#[test]
fn presets_carry_their_rules() {
    let rules =
        |preset: &str| Profile::embedded_with(&set(&[&format!("controller.preset={preset}")])).unwrap().controller;
    let host = rules("host");
    assert_eq!(host.dwell.value, DwellWords::POnly);
    assert_eq!(host.initial_feed_mm_s.value, 25.0);
    assert_eq!((host.max_e_only_mm.value, host.max_e_per_line_mm.value), (Some(50.0), None));
    assert_eq!(host.max_bead_area_per_nozzle_sq.value, Some(4.0));
    assert_eq!(host.excess_e.value, Excess::Split);
    let board = rules("board");
    assert_eq!(board.dwell.value, DwellWords::SWins);
    assert_eq!(board.initial_feed_mm_s.value, 66.7);
    assert_eq!(board.max_e_per_line_mm.value, Some(200.0));
    assert_eq!(board.max_bead_area_per_nozzle_sq.value, None);
    let network = rules("network");
    assert_eq!(network.dwell.value, DwellWords::SWins);
    assert_eq!((network.max_e_only_mm.value, network.max_e_per_line_mm.value), (None, None));
    let custom = rules("custom");
    assert_eq!(custom.preset.value, Preset::Custom);
    assert_eq!(custom.max_e_only_mm, host.max_e_only_mm);
}

#[test]
fn later_layers_win_key_by_key() {
    let text = "[controller]\npreset = \"network\"\ndwell = \"p-only\"\n[screw]\nderate = 0.8\nmelt_lag_s = 0.6\n";
    let assignments =
        set(&["screw.melt_lag_s=0.9", "controller.preset=board", "screw.derate = 0.7", "screw.derate=0.6"]);
    let profile = Profile::load_with(text, "layers", &assignments).unwrap();
    let of = |key: &str| profile.entry(key).map(|entry| (entry.value, entry.origin)).unwrap();
    assert_eq!(of("controller.preset"), ("\"board\"".to_owned(), Origin::CommandLine));
    assert_eq!(of("controller.max_e_per_line_mm"), ("200.0".to_owned(), Origin::Preset));
    assert_eq!(of("controller.dwell"), ("\"p-only\"".to_owned(), Origin::Profile));
    assert_eq!(of("screw.derate"), ("0.6".to_owned(), Origin::CommandLine));
    assert_eq!(of("screw.melt_lag_s"), ("0.9".to_owned(), Origin::CommandLine));
    assert_eq!(of("screw.max_speed_rpm"), ("120.0".to_owned(), Origin::Default));
    assert_eq!(profile.entry("screw.output_curve"), None);
    assert_eq!(profile.entry("screw.colour"), None);
}

#[test]
fn one_form_of_output_replaces_the_other_with_its_note() {
    let text = "[screw]\nspecific_output_mm3_rev = { value = 14, provenance = \"measured\", note = \"hot\" }\n";
    let profile = Profile::load_with(text, "output", &set(&["screw.output_curve=[[20,5],[60,14]]"])).unwrap();
    assert_eq!(profile.screw.output.value, Output::Curve(vec![[20.0, 5.0], [60.0, 14.0]]));
    assert_eq!(profile.screw.output.provenance, Provenance::Assumed);
    assert_eq!(profile.entry("screw.specific_output_mm3_rev"), None);
    assert_eq!(profile.entry("screw.output_curve").unwrap().note, None);
    assert!(profile.notes.is_empty());
}

#[test]
fn assignments_take_every_kind_of_value() {
    let profile = Profile::embedded_with(&set(&[
        "screw.peak_flow_mm3_s=22",
        "screw.sustained_flow_mm3_s=none",
        "screw.virtual_diameter_mm={ value = 1.75, provenance = \"measured\", note = \"a = b\" }",
        "machine.part_moves=xy",
        "machine.kinematics=\"crossed-belts\"",
        "machine.corner={ rule = \"deviation\", mm = 0.013 }",
        "feedstock.name=30A soft = good",
        "feedstock.lot=2024",
        "screw.axis=A",
        "screw.tools=[1]",
        "controller.g90_sets_e=true",
    ]))
    .map_err(|error| render(&error))
    .unwrap();
    assert_eq!(profile.screw.peak_flow_mm3_s.value, Some(22.0));
    assert_eq!(profile.screw.peak_flow_mm3_s.provenance, Provenance::Assumed);
    assert_eq!(profile.screw.sustained_flow_mm3_s.value, None);
    assert_eq!(profile.screw.virtual_diameter_mm.value, Some(1.75));
    assert_eq!(profile.screw.virtual_diameter_mm.provenance, Provenance::Measured);
    assert_eq!(profile.entry("screw.virtual_diameter_mm").unwrap().note.as_deref(), Some("a = b"));
    assert_eq!(profile.machine.part_moves.value, PartMoves::Xy);
    assert_eq!(profile.machine.kinematics.value, Kinematics::CrossedBelts);
    assert_eq!(profile.machine.corner.value, Corner::Deviation(0.013));
    assert_eq!(profile.feedstock.name.value, "30A soft = good");
    assert_eq!(profile.feedstock.lot.value.as_deref(), Some("2024"));
    assert_eq!(profile.screw.axis.value, b'A');
    assert!(profile.controller.g90_sets_e.value);
}

#[test]
fn bad_assignments_name_themselves() {
    let text = "[nozzle]\ndiameter_mm = 0\n";
    let error = Profile::load_with(
        text,
        "file.toml",
        &set(&[
            "screw.peak_flow=22",
            "srew.derate=0.9",
            "screw.colour=red",
            "srew.max_sped_rpm=9",
            "derate=0.9",
            "screw.derate=2",
            "screw.derate=1,5",
            "screw.derate=\"0.5",
            "screw.derate={ value = 0.5, provenance = \"sure\" }",
            "machine.part_moves=yx",
            "screw.melt_lag_s=soon",
            "screw.max_speed_rpm=inf",
            "feedstock.nozzle_temperature_max_c=150",
            "rocket.speed=1",
        ]),
    )
    .unwrap_err();
    insta::assert_snapshot!(render(&error));

    for text in ["screw.derate", "=0.9", "screw.derate=", " = "] {
        let error = text.parse::<Assignment>().unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::Usage { .. }), "{text}: {error}");
    }
}

/// Air at 25 °C, a nozzle at 200 to 220 °C: the melt is laid at 210 °C.
#[test]
fn cooling_to_what_is_never_reached_or_left_raises_a_caution() {
    let told = |solid: &str| {
        let profile = Profile::embedded_with(&set(&[
            &format!("part.solid_temperature_c={solid}"),
            "part.air_temperature_c=25",
            "feedstock.nozzle_temperature_min_c=200",
            "feedstock.nozzle_temperature_max_c=220",
        ]))
        .unwrap();
        let cautions = profile.cautions();
        let caution = cautions.into_iter().find(|caution| caution.key == "part.solid_temperature_c");
        (profile.cooling(), caution.map(|caution| caution.what.split(' ').take(3).collect::<Vec<_>>().join(" ")))
    };
    let never = |words: &str| Some(words.to_owned());
    assert_eq!(told("none"), (Cooling::NotWanted, None));
    assert_eq!(told("25"), (Cooling::NeverReached(25.0), never("beads never become")));
    assert_eq!(told("26"), (Cooling::Until(26.0), None));
    assert_eq!(told("209"), (Cooling::Until(209.0), None));
    assert_eq!(told("210"), (Cooling::NeverLeft(210.0), never("beads are laid")));
}

#[test]
fn odd_but_usable_profiles_raise_cautions() {
    let profile = Profile::embedded_with(&set(&[
        "controller.preset=custom",
        "controller.max_e_per_line_mm=20",
        "screw.peak_flow_mm3_s=10",
        "screw.e_unit=screw-turns",
        "screw.output_curve=[[20,5],[60,14]]",
        "feedstock.drying_time_h=none",
    ]))
    .unwrap();
    let keys: Vec<&str> = profile.cautions().iter().map(|caution| caution.key).collect();
    assert_eq!(
        keys,
        [
            "controller.preset",
            "screw.sustained_flow_mm3_s",
            "screw.e_unit",
            "controller.max_e_only_mm",
            "feedstock.drying_time_h"
        ]
    );
    let unused = Profile::embedded_with(&set(&["screw.e_unit=mm3", "screw.virtual_diameter_mm=1.75"])).unwrap();
    assert_eq!(unused.cautions().first().map(|caution| caution.key), Some("screw.virtual_diameter_mm"));
}

#[test]
fn fingerprint_follows_values_alone() {
    let of = |assignments: &[&str]| Profile::embedded_with(&set(assignments)).unwrap().fingerprint();
    let plain = of(&[]);
    assert_eq!(plain.len(), 8);
    assert!(plain.bytes().all(|byte| byte.is_ascii_hexdigit()));
    assert_eq!(plain, of(&["screw.derate={ value = 0.9, provenance = \"measured\", note = \"sure\" }"]));
    assert_ne!(plain, of(&["screw.derate=0.91"]));
    assert_ne!(of(&["feedstock.name=a"]), of(&["feedstock.name=b"]));
}

#[test]
fn huge_and_deep_texts_are_refused_calmly() {
    let deep = [
        format!("a = {}", "[".repeat(50_000)),
        format!("a = {}", "{ b = ".repeat(20_000)),
        format!("[screw]\nderate = {}{}", "[".repeat(5_000), "]".repeat(5_000)),
        format!("{}a = 1", "a.".repeat(100_000)),
        format!("[{}a]\nb = 1", "a.".repeat(100_000)),
        format!("[[{}a]]\nb = 1", "a.".repeat(100_000)),
        format!("[{0}a]\n{0}a = {{ {0}a = 1 }}", "a.".repeat(40_000)),
        "x".repeat(200_000),
        "[screw]\n".to_owned() + &"derate = -1\n".repeat(10_000),
        "[screw]\n".to_owned() + &(0..10_000).map(|index| format!("derate{index} = 1\n")).collect::<String>(),
        "#".repeat(300_000),
        "[screw]\n".to_owned() + &"no equals here\n".repeat(15_000),
    ];
    for text in deep {
        let error = Profile::load(&text, "deep").unwrap_err();
        let ErrorKind::Profile(faults) = error.kind() else { panic!("{error}") };
        assert!((1..=51).contains(&faults.len()), "{} faults", faults.len());
        for fault in faults {
            assert!(fault.what.len() < 200 && fault.help.as_ref().is_none_or(|help| help.len() < 400), "{fault:?}");
        }
    }
}

#[test]
fn profiles_are_looked_for_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let place = |path: &str| {
        let path = folder.path().join(path);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, "[nozzle]\ndiameter_mm = 2\n").unwrap();
        path
    };
    let explicit = place("own.toml");
    let variable = place("variable.toml");
    let beside_gcode = place("prints/meltwright.toml");
    let beside_program = place("bin/meltwright.toml");
    let user = place("config/meltwright/profile.toml");
    let gcode = folder.path().join("prints/part.gcode");
    let env = Env {
        profile: Some(variable.clone().into()),
        xdg_config_home: Some(folder.path().join("config").into()),
        home: Some(folder.path().into()),
        executable: Some(folder.path().join("bin/meltwright")),
        ..Env::default()
    };
    let found = |explicit: Option<&Path>, env: &Env| find(explicit, Some(&gcode), env).unwrap();

    assert_eq!(found(Some(&explicit), &env), Found::Explicit(explicit.clone()));
    assert_eq!(found(None, &env), Found::Variable(variable.clone()));
    let env = Env { profile: Some("".into()), ..env };
    assert_eq!(found(None, &env), Found::BesideGcode(beside_gcode.clone()));
    std::fs::remove_file(beside_gcode).unwrap();
    assert_eq!(found(None, &env), Found::BesideProgram(beside_program.clone()));
    assert_eq!(found(None, &env).load(&[]).unwrap().nozzle.diameter_mm.value, 2.0);
    std::fs::remove_file(beside_program).unwrap();
    assert_eq!(found(None, &env), Found::User(user.clone()));
    assert!(found(None, &env).to_string().ends_with("(in the user's configuration folder)"));
    std::fs::remove_file(user).unwrap();
    assert_eq!(found(None, &env), Found::Embedded);
    assert_eq!(found(None, &env).load(&[]).unwrap(), Profile::embedded());

    let long = folder.path().join("long.gcode");
    std::fs::write(&long, "G1 X1 ;é\n".repeat(100_000)).unwrap();
    let error = Found::Explicit(long.clone()).load(&[]).unwrap_err();
    assert_eq!(error.file(), Some(long.as_path()));
    assert!(render(&error).contains("longer than 256 KiB"), "{error}");

    let gone = folder.path().join("gone.toml");
    for path in [&gone, folder.path()] {
        let error = find(Some(path), None, &env).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::Usage { .. }), "{error}");
    }
    let error = find(None, None, &Env { profile: Some(gone.into()), ..env }).unwrap_err();
    assert!(error.to_string().contains("MELTWRIGHT_PROFILE"), "{error}");
}

#[test]
fn the_users_folder_depends_on_the_system() {
    let env = |system| Env {
        home: Some("/home/me".into()),
        appdata: Some("/appdata".into()),
        xdg_config_home: Some("relative".into()),
        system,
        ..Env::default()
    };
    let at = |path: &str| Some(PathBuf::from(path));
    assert_eq!(env(System::Other).user_profile(), at("/home/me/.config/meltwright/profile.toml"));
    assert_eq!(env(System::Windows).user_profile(), at("/appdata/meltwright/profile.toml"));
    assert_eq!(env(System::MacOs).user_profile(), at("/home/me/Library/Application Support/meltwright/profile.toml"));
    assert_eq!(Env::default().user_profile(), None);
}

/// Text built from the pieces a profile is made of, so that it often gets past the reader's first look.
fn profile_like() -> impl Strategy<Value = String> {
    let pieces = prop::sample::select(vec![
        "[",
        "]",
        "{",
        "}",
        "=",
        " = ",
        ",",
        ".",
        "\n",
        "\r\n",
        "\"",
        "'",
        "\"\"\"",
        "#",
        "-",
        "1",
        "0.5",
        "1,75",
        "nan",
        "inf",
        "1e999",
        "0x1F",
        "true",
        "é",
        "\u{feff}",
        "[screw]\n",
        "[machine]\n",
        "[nozzle]\n",
        "[[screw]]\n",
        "screw",
        "derate",
        "output_curve",
        "specific_output_mm3_rev",
        "tools",
        "corner",
        "rule",
        "\"deviation\"",
        "mm",
        "value",
        "provenance",
        "note",
        "\"measured\"",
        "diameter_mm",
        "max_speed_rpm",
        "\"none\"",
        "[[20, 5], [60, 14]]",
        "1979-05-27",
        "99999999999999999999",
        "\\u0000",
        "\0",
    ]);
    prop::collection::vec(pieces, 0..60).prop_map(|pieces| pieces.concat())
}

proptest! {
    #[test]
    fn any_text_loads_or_is_refused(text in any::<String>()) {
        loads_or_tells(&text, &[]);
    }

    #[test]
    fn profile_like_text_loads_or_is_refused(text in profile_like()) {
        loads_or_tells(&text, &[]);
    }

    #[test]
    fn any_assignment_is_taken_or_refused(index in 0..200_usize, value in prop_oneof![profile_like(), any::<String>()]) {
        let entries = Profile::embedded().entries();
        let key = entries[index % entries.len()].key;
        if let Ok(assignment) = format!("{key}={value}").parse() {
            loads_or_tells("", &[assignment]);
        }
    }

    #[test]
    fn numbers_survive_being_shown(speed in 1e-300..5000.0_f64, lag in 0.0..60.0_f64, note in any::<String>()) {
        let mut profile = Profile::embedded();
        profile.machine.max_speed_mm_s.value = speed;
        profile.screw.melt_lag_s.value = lag;
        profile.notes.insert("screw.melt_lag_s", note);
        let again = Profile::load(&profile.show(), "shown").map_err(|error| render(&error)).unwrap();
        prop_assert_eq!(contents(&again), contents(&profile));
    }
}
