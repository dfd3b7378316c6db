//! What parts stand, and transistors that do not work: neither passes as `ok`, and what is not judged is named.
mod common;

use common::{fails_strictly as fails, strictly as judged};

/// It passes, nothing is remarked, and what is said of what is not judged comes back.
#[track_caller]
fn passes(netlist: &str) -> String {
    let (status, text) = judged(netlist, &[]);
    assert!(status == 0 && !text.contains("CHECK"), "{status}:\n{text}");
    let line = text.lines().find(|l| l.starts_with("not judged"));
    line.unwrap_or_default().to_string()
}

/// A stage of depletion transistors on a supply of some volts.
fn stage(volts: &str, line: &str, ohms: &str) -> String {
    format!(
        "Stage\nVB ht 0 {volts}\nVIN in 0 DC 0 AC 1 SIN(0 0.1 1k)\nRG in 0 1meg\n{line}\nRD ht d {ohms}\nRS s 0 1k\n.end\n"
    )
}

#[test]
fn a_transistor_beyond_its_volts_fails() {
    let mos = |volts: &str| stage(volts, "M1 d in s s LND150", "47k");
    assert_eq!(passes(&mos("350")), "");
    fails(&mos("650"), &[], "vds of `M1` is 606 V, its rating 500 V");
    let junction = |volts: &str| stage(volts, "J1 d in s J201", "10k");
    assert_eq!(passes(&junction("30")), "");
    fails(
        &junction("90"),
        &[],
        "vgd of `J1` is -86.7 V, its rating 40.0 V",
    );
    // Drain and gate exchanged: the supply on the gate.
    fails(
        "Exchanged\nVB ht 0 300\nRG x 0 1meg\nM1 x d s s LND150\nRD ht d 150k\nRS s 0 3.3k\n.end\n",
        &[],
        "vgs of `M1` is 300 V, its rating 20.0 V",
    );
    let bipolar = |volts: &str| {
        format!(
            "Bipolar\nVB b 0 {volts}\nRB1 b q 1meg\nRB2 q 0 100k\nRC b c 10k\nRE e 0 1k\nQ1 c q e 2N3904\n.end\n"
        )
    };
    assert_eq!(passes(&bipolar("12")), "");
    // Cut off it has all of its supply.
    let high = bipolar("60").replace("RB1 b q 1meg\n", "");
    fails(&high, &[], "vce of `Q1` is 60.0 V, its rating 40.0 V");
    let hot = "Hot\nVB b 0 20\nRB b q 15k\nRC b c 50\nRE e 0 30\nQ1 c q e 2N3904\n.end\n";
    fails(hot, &[], "dissipation of `Q1`");
    // The line knows the heat sink.
    assert_eq!(passes(&hot.replace("2N3904", "2N3904 ; rated=2W")), "");
}

/// At rest the drain stands at half of what the transistor stands, driven at more than it.
#[test]
fn a_transistor_is_judged_while_it_is_driven() {
    let mu = "Choke\nVB ht 0 300\nVIN g 0 DC 0 AC 1 SIN(0 1 1k)\nM1 d g s s LND150\nL1 ht d 1k\nRL d 0 470k\nRS s 0 1k\nCS s 0 100u\n.end\n";
    passes(mu);
    fails(mu, &[("--drive", "3")], "peak voltage of `M1` is ");
}

#[test]
fn what_has_no_rating_is_named() {
    let own = "Own\nVB b 0 9\nRG g 0 1meg\nJ1 d g s JF\nRD b d 10k\nRS s 0 1k\n.model JF njf(vto=-1 beta=1m)\n\
               RB b q 1meg\nQ1 c q 0 QN\nRC b c 4.7k\n.model QN npn(bf=100 vcemax=25)\n.end\n";
    assert_eq!(
        passes(own),
        "not judged, as no rating is known: volts and watts of J1, watts of Q1"
    );
    let heat = passes(&stage("300", "M1 d in s s IRF820", "47k"));
    assert_eq!(heat, "not judged, as no rating is known: watts of M1");
    // A diode that blocks much, and one that hardly blocks: the drop of the other is across it.
    let diodes = |more: &str| {
        format!(
            "Diodes\nVB b 0 300\nR1 b a 1meg\nD1 a 0 DD\nR2 b k 10k\nD2 0 k DD{more}\nR3 k 0 100k\n.model DD d(is=1n)\n.end\n"
        )
    };
    assert_eq!(
        passes(&diodes("")),
        "not judged, as no rating is known: inverse voltage of D2"
    );
    assert_eq!(passes(&diodes(" ; rated=400V")), "");
    // What an op-amp's model is made of is no part.
    assert_eq!(
        passes(
            "Follower\nVP p 0 15\nVM m 0 -15\nVIN in 0 AC 1\nXU1 in o p m o OPAMP\nRL o 0 10k\n.end\n"
        ),
        ""
    );
}

#[test]
fn transistors_that_do_not_work_are_remarked() {
    let pedal = |volts: &str, line: &str, leak: &str| {
        format!(
            "Pedal\nVB b 0 {volts}\nVIN in 0 DC 0 AC 1\nCI in g 22n\n{leak}\n{line}\nRD b d 22k\nRS s 0 1.5k\nCS s 0 10u\n.end\n"
        )
    };
    let leak = "RG g 0 1meg";
    assert_eq!(passes(&pedal("9", "J1 d g s J201", leak)), "");
    // It has no polarity but that of its gate.
    assert_eq!(passes(&pedal("9", "J1 s g d J201", leak)), "");
    fails(
        &pedal("9", "J1 d g s J201", ""),
        &[],
        "`J1`: its gate floats",
    );
    fails(
        &pedal("9", "J1 g d s J201", leak),
        &[],
        "are drain and gate exchanged?",
    );
    fails(
        &pedal("-9", "J1 d g s J201", leak),
        &[],
        "the supply is the wrong way round for an n-channel transistor",
    );
    fails(
        &pedal("-9", "M1 d g s s LND150", leak),
        &[],
        "the supply is the wrong way round for an n-channel transistor",
    );
    for line in ["Q1 d g s 2N3904", "Q1 d g 0 2N3904"] {
        fails(&pedal("9", line, ""), &[], "`Q1`: its base floats");
        assert_eq!(passes(&pedal("9", line, "RG b g 2.2meg")), "");
    }
    let bipolar = "Bipolar\nVB b 0 4\nRB1 b q 100k\nRB2 q 0 33k\nRC b c 4.7k\nRE e 0 1k\nQ1 c q e 2N3904\n.end\n";
    assert_eq!(passes(bipolar), "");
    fails(
        &bipolar.replace("Q1 c q e", "Q1 e q c"),
        &[],
        "are collector and emitter exchanged?",
    );
}

/// Common practice: a gate at a source, behind a diode, at a plate; a transistor against a battery the wrong
/// way round; a junction transistor as a diode; current sources.
#[test]
fn transistors_in_common_use_are_left_alone() {
    let own = "not judged, as no rating is known: volts and watts of MP";
    assert_eq!(
        passes(
            "Guard\nVBAT bat 0 9\nMP bat g b b PM\n.model PM pmos(vto=-2 kp=1)\nRG g 0 100k\nRL b 0 10k\n.end\n"
        ),
        own
    );
    assert_eq!(
        passes(
            "Switch\nVC ctl 0 -5\nVIN in 0 AC 1\nRA in a 10k\nJ2 o g a 2N5457\nRB o 0 1meg\nD1 ctl g 1N4148\n.end\n"
        ),
        ""
    );
    assert_eq!(
        passes(
            "Diode\nVB b 0 9\nRB b a 10k\nJ1 0 a 0 2N5457\nJ2 c 0 k J201\nRK k 0 1k\nRC b c 1k\n.end\n"
        ),
        ""
    );
    assert_eq!(
        passes(
            "Follower\nVB b 0 300\nRP b p 100k\nRG g 0 1meg\nRK k 0 1.5k\nXV1 p g k 12AX7\nRGS p gm 1k\n\
             M1 b gm s s LND150\nM2 s x y y LND150\nRY y 0 1k\nRX x 0 10\n.end\n"
        ),
        ""
    );
    assert_eq!(
        passes(
            "Fuzz\nVB b 0 -9\nRF e b1 100k\nQ1 c1 b1 0 2N3906\nRC1 b c1 33k\nQ2 c2 c1 e 2N3906\nRC2 b c2 8.2k\nRE e 0 1k\n.end\n"
        ),
        ""
    );
}

/// A megohm that is a milliohm shorts what it should load. One that is meant is written in another way.
#[test]
fn a_megohm_read_as_a_milliohm_fails() {
    let load = |value: &str| {
        format!(
            "Load\nVB b 0 300\nRP b p 100k\nRG g 0 1meg\nRK k 0 1.5k\nXV1 p g k 12AX7\nCC p out 22n\nRL out 0 {value}\n.end\n"
        )
    };
    fails(&load("1M"), &[], "`RL`: `1M` is read as milliohms");
    for sound in ["1meg", "0.1", "100m", "1"] {
        assert_eq!(passes(&load(sound)), "", "{sound}");
    }
    let (status, text) = judged(&load("1M"), &[("--set", "RL=1meg")]);
    assert!(status == 0 && !text.contains("CHECK"), "{text}");
}

/// 450.3 V is not shown as 450 V beside a rating of 450 V.
#[test]
fn a_figure_just_over_its_rating_does_not_read_as_equal() {
    fails(
        "Cold\nVB b 0 450.3\nRB b a 1k\nC1 a 0 10u ; rated=450V\nRL a 0 10meg\n.end\n",
        &[],
        "voltage hot of `C1` is 450.3 V, its rating 450.0 V",
    );
}

/// A supply of a valve rectifier.
fn rectified(valve: &str, volts: &str) -> String {
    format!(
        "Supply\nVMAINS line 0 SIN(0 325.3 50)\nXM line 0 h1 0 h2 0 0 MT\n\
         .model MT mains(vpri=230 vht={volts} iht=0.08 heater=20)\nRW1 h1 a1 150\nRW2 h2 a2 150\n\
         XV5 a1 a2 r {valve}\nCR r 0 16u ; rated=500V\nRL r 0 10k ; rated=50W\n.end\n"
    )
}

#[test]
fn heaters_that_are_cathodes_have_nothing_to_judge() {
    for valve in ["5AR4", "5Y3GT", "5V4G", "EZ80"] {
        assert_eq!(
            passes(&rectified(valve, "250")),
            "not judged, as no rating is known: RW1, RW2",
            "{valve}"
        );
    }
    let own = rectified("T", "250").replace(".end", ".model T rectifier(perv=1m)\n.end");
    let named = passes(&own);
    assert!(named.ends_with("heater to cathode of XV5"), "{named}");
    // A model may say what it stands.
    let low = own.replace("perv=1m", "perv=1m vhkmax=100");
    fails(&low, &[], "heater-cathode voltage of `XV5`");
}

fn small(valve: &str, leak: &str, cathode: &str) -> String {
    format!("Stage\nVB b 0 250\nRP b p 220k\nRG g {leak}\n{cathode}\nXV1 p g k {valve}\n.end\n")
}

/// The limits that makers print are for fixed and for cathode bias.
#[test]
fn a_grid_leak_that_makes_the_bias_is_named_and_not_judged() {
    let grounded = "VK k 0 0";
    for leak in ["0 2.2meg", "0 10meg"] {
        assert_eq!(
            passes(&small("12AX7", leak, grounded)),
            "not judged, as no rating is known: grid circuit of XV1 (its own current biases it)"
        );
    }
    let words = "grid circuit resistance of `XV1`";
    // A bias of its own is fixed, whatever the grid adds to it; a cathode's resistor biases too.
    let fixed = small("12AX7", "n 2.2meg\nVN n 0 -1", grounded);
    fails(&fixed, &[], words);
    fails(&small("12AX7", "0 10meg", "RK k 0 1.5k"), &[], words);
    // An output valve's leak is judged.
    let power = "Power\nVB b 0 200\nRP b p 10k\nRS b s 100k\nRG g 0 4.7meg\nVK k 0 0\nXV1 p s g k EL84\n.end\n";
    fails(power, &[], words);
}

#[test]
fn grid_leaks_of_more_types_are_judged() {
    let pentode = |leak: &str| {
        format!(
            "Pentode\nVB b 0 250\nRP b p 220k\nRS b s 1meg\nCS s k 100n\nRG g 0 {leak}\nRK k 0 2.2k\nXV1 p s g k EF86\n.end\n"
        )
    };
    assert_eq!(passes(&pentode("1meg")), "");
    fails(&pentode("22meg"), &[], "grid circuit resistance of `XV1`");
}

/// 500 V on a body of 0.25 W, which withstands 250 V (common practice, no published source): the line of
/// the resistor was `ok` for its watts.
#[test]
fn a_resistor_at_too_many_volts_is_not_ok_in_its_table() {
    let netlist = "Bleeder\nVB b 0 500\nRBL b 0 2.2meg ; rated=0.25W\n.end\n";
    let netlist = common::Netlist::new(netlist);
    let run = common::Gridleak::command("bias").path(netlist.path());
    let chart = run.arg("--all").run().stdout;
    let row = chart.lines().find(|l| l.starts_with("  RBL"));
    let row = row.unwrap_or_else(|| panic!("{chart}"));
    assert!(row.ends_with("OVER: peak voltage"), "{row}");
}

/// 100 k half way and 47 k in series on 300 V: 3.1 mA, 0.48 W in half of the track. Neither its rating nor
/// that of the whole track was asked for without `--drive`.
#[test]
fn a_pot_is_judged_at_rest_and_named_without_a_rating() {
    let pot = |rated: &str, volts: &str| {
        format!(
            "Pot\nVB b 0 {volts}\nXP b w e P100K knob=5{rated}\n.model P100K pot(r=100k)\nRW w 0 47k ; rated=5W\nRE e 0 10meg ; rated=1W\n.end\n"
        )
    };
    assert_eq!(
        passes(&pot("", "300")),
        "not judged, as no rating is known: watts of XP"
    );
    assert_eq!(passes(&pot("", "30")), "");
    // At 10 all of 300 V / 47 k flows at the end of the track: 4.1 W for the whole of it.
    assert_eq!(passes(&pot(" ; rated=5W", "300")), "");
    fails(
        &pot(" ; rated=2W", "300"),
        &[],
        "with `P=10` its track dissipation is 4.11 W",
    );
    // 0.96 W over the whole track at that current.
    fails(
        &pot(" ; rated=0.75W", "300"),
        &[],
        "track dissipation of `XP` is ",
    );
}
