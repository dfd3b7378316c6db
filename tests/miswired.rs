//! Leads, valves and windings at the wrong place, which no rating catches: push-pull halves, plate and screen,
//! supplies without a return, electrolytics the wrong way round. And what resembles them and is sound.
mod common;

use common::{Gridleak, Netlist, fails_strictly, strictly};

fn judged(netlist: &str) -> (i32, String) {
    strictly(netlist, &[])
}

#[track_caller]
fn fails(netlist: &str, words: &str) {
    fails_strictly(netlist, &[], words);
}

#[track_caller]
fn passes(netlist: &str) {
    let (status, text) = judged(netlist);
    assert!(
        status == 0 && !text.contains("CHECK"),
        "{status}:\n{netlist}\n{text}"
    );
}

/// A pair of 6V6GTs with cathode bias.
const PAIR: &str = "Pair\nVB b 0 285\nRGA ga 0 220k\nRGB gb 0 220k\nRSA ga g1 4.7k\nRSB gb g2 4.7k\n\
                    XV3 pa sa g1 k 6V6GT\nXV4 pb sb g2 k 6V6GT\nRK k 0 270\nRS1 b sa 470\nRS2 b sb 470\n\
                    XOT pa b pb 0 t4 t8 t16 OT\nRL t8 0 8\n.model OT pushpull(raa=8k power=15)\n.end\n";

/// The pair with one thing changed.
fn pair(from: &str, to: &str) -> String {
    assert!(PAIR.contains(from), "{from}");
    PAIR.replace(from, to)
}

#[test]
fn halves_that_carry_different_currents_fail() {
    passes(PAIR);
    let netlist = pair("XOT pa b pb", "XOT pa pb b");
    fails(
        &netlist,
        "are the leads of `centre` and `plate2` exchanged?",
    );
    // The screens stand at what is now an end of the primary; it is not they that are wrong.
    let (_, text) = judged(&netlist);
    assert!(!text.contains("plate and screen"), "{text}");
    fails(
        &pair("XV4 pb sb", "XV4 pa sb"),
        "the plates of `XV3` and `XV4` are all at `plate1`, none at `plate2`",
    );
    fails(
        &pair("XOT pa b pb", "XOT pa b pa").replace("XV4 pb", "XV4 pa"),
        "the primary is shorted",
    );
    let apart =
        pair("g2 k 6V6GT", "g2 k2 6V6GT").replace("RK k 0 270", "RK k 0 560\nRK2 k2 0 4.7k");
    fails(&apart, "valves of one type do not differ that much");
    // As far as production lets two of one type lie apart, with a fixed bias.
    let spread = pair("g1 k 6V6GT", "g1 k STRONG").replace("g2 k 6V6GT", "g2 k WEAK");
    let card = |name: &str, by: f64| {
        format!(
            ".model {name} output(mu=10.795 ex=1.3277 kg1={} kg2={} kp=49.857 knee=12.35 perv=27.94m vrise=1meg \
             pamax=12 pg2max=2 vamax=315 vg2max=285)\n",
            1284.5 / by,
            25078.0 / by
        )
    };
    let cards = format!("{}{}.end", card("STRONG", 1.27), card("WEAK", 0.73));
    passes(&spread.replace(".end", &cards));
}

/// Both valves draw what their type does, and the pair distorts and hums all the same.
#[test]
fn a_pair_of_two_types_fails() {
    fails(
        &pair("g2 k 6V6GT", "g2 k EL34"),
        "`XV3` (6V6GT) at `plate1` and `XV4` (EL34) at `plate2`: both need the same",
    );
    // A third valve beside one of the two.
    let third = pair("RK k", "XV5 pa sc g1 k 6V6GT\nRS3 b sc 470\nRK k");
    fails(&third, "both need the same");
    // Another name of the same type, or a socket that a switch takes out, is none.
    passes(&pair("g2 k 6V6GT", "g2 k 6V6GT_PLAIN").replace("g1 k 6V6GT", "g1 k 6V6GT_PLAIN"));
    let off = pair(
        "RK k",
        "XV5 pa sc g1 off EL34\nXOFF off k toggle at=0\nRS3 b sc 470\nRK k",
    );
    let (status, text) = judged(&off);
    assert!(
        status == 0 && !text.contains("both need the same"),
        "{text}"
    );
}

/// One valve, or two in parallel, on one half; nothing on the other.
#[test]
fn a_half_that_is_not_used_is_no_fault() {
    let single = pair("XV4 pb sb g2 k 6V6GT\n", "").replace("RK k 0 270", "RK k 0 560");
    let spare = ["RGB gb 0 220k\n", "RSB gb g2 4.7k\n", "RS2 b sb 470\n"];
    passes(&spare.iter().fold(single, |all, line| all.replace(line, "")));
    let parallel = pair("XV4 pb sb", "XV4 pa sb").replace("RSB gb g2", "RSB ga g2");
    passes(&parallel.replace("RGB gb 0 220k\n", ""));
    let idle = pair("RK k 0 270", "RK kk 0 270\nXOFF k kk toggle at=0");
    let (status, text) = judged(&idle);
    assert!(
        status == 0 && !text.contains("CHECK: `XOT`: its halves"),
        "{text}"
    );
}

/// An EL84, single-ended; `valve`: its plate and screen, and what else the primary's ends are.
fn single(valve: &str, primary: &str) -> String {
    format!(
        "Single\nVB b 0 260\nRSC b screens 1k\nRS screens s 100\nRG g 0 470k\nRK k 0 150\nXV2 {valve} g k EL84\n\
         XOT {primary} 0 t4 t8 t16 OT\nRL t8 0 8\n.model OT singleended(ra=5.2k power=8 idc=60m)\n.end\n"
    )
}

#[test]
fn plate_and_screen_exchanged_fail() {
    let words = "are plate and screen exchanged?";
    fails(&single("s p", "p b"), words);
    fails(&single("s p", "b p"), words);
    fails(&pair("XV4 pb sb", "XV4 sb pb"), words);
    // With the ends of the primary exchanged the output only has the other sign.
    for primary in ["p b", "b p"] {
        passes(&single("p s", primary).replace("idc=60m", "idc=100m"));
        // As a triode.
        let triode = single("p s", primary).replace("RS screens s 100", "RS p s 100");
        passes(&triode.replace("RSC b screens 1k", "RSC b 0 1meg"));
    }
    // Screens at taps of the primary; and a follower, the transformer at its cathode.
    let taps = pair("XOT pa b pb", "XOT pa ua b ub pb").replace("pushpull(", "ultralinear(");
    passes(
        &taps
            .replace("RS1 b sa", "RS1 ua sa")
            .replace("RS2 b sb", "RS2 ub sb"),
    );
    passes(&pair(
        "RK k",
        "XV6 p6 s6 g6 k6 EF86\nRP6 b p6 220k\nRS6 b s6 1meg\nRG6 g6 0 1meg\nRK6 k6 0 2.2k\nRK k",
    ));
    passes(
        "Follower\nVB b 0 250\nRS b s 100\nRG g 0 100k\nXV1 b s g k 6V6GT\nXOT k kk 0 t4 t8 t16 OT\nRK kk 0 330\nRL t8 0 8\n\
         .model OT singleended(ra=5k power=5 idc=60m)\n.end\n",
    );
}

/// A supply of 230 V, 50 Hz; `winding`: the nodes ht1, centre, ht2 and of the bias winding.
fn supply(winding: &str, lines: &str) -> String {
    let bias = if winding.ends_with(" 0 0") {
        ""
    } else {
        "vbias=50 ibias=50m"
    };
    format!(
        "Supply\nVMAINS line 0 SIN(0 325.3 50)\nXM line 0 {winding} MT\n{lines}\n\
         .model MT mains(vpri=230 vht=250 iht=0.2 {bias})\n.end\n"
    )
}

#[test]
fn a_winding_without_a_return_fails() {
    let words = "is the other end of the winding, or its centre tap, connected?";
    let load = "CR r 0 47u ; rated=500V\nRL r 0 10k";
    let silicon = format!("D1 h1 r 1N4007\nD2 h2 r 1N4007\n{load}");
    let valve = format!("XV5 h1 h2 r GZ34\n{load}");
    for feed in [&silicon, &valve] {
        passes(&supply("h1 0 h2 0 0", feed));
        fails(&supply("h1 x h2 0 0", feed), words);
        // A switch in the centre tap is a standby switch.
        let standby = |at: u8| format!("{feed}\nXSB x 0 toggle at={at}");
        passes(&supply("h1 x h2 0 0", &standby(1)));
        // Nor is one with a bleeder across it that keeps the contacts quiet, or a meter.
        for across in ["", "\nRX x 0 1meg", "\nRX x 0 1meg\nCX x 0 10n"] {
            let lines = standby(0) + across;
            let (status, text) = judged(&supply("h1 x h2 0 0", &lines));
            assert!(
                status == 0 && text.contains("switched off: an open switch is in the way"),
                "{text}"
            );
        }
    }
    // Two in series for each half, with what shares out their volts.
    let series = "D1 h1 m1 1N4007\nD3 m1 r 1N4007\nD2 h2 m2 1N4007\nD4 m2 r 1N4007\nR1 h1 m1 470k\nR3 m1 r 470k";
    let series = format!("{series}\n{load}");
    passes(&supply("h1 0 h2 0 0", &series));
    // A bridge whose minus is left off, a doubler, and one diode.
    let bridge = |minus: &str| {
        format!(
            "D1 h1 r 1N4007\nD2 h2 r 1N4007\nD3 {minus} h1 1N4007\nD4 {minus} h2 1N4007\n{load}"
        )
        .replace("500V", "900V")
    };
    passes(&supply("h1 x h2 0 0", &bridge("0")));
    fails(&supply("h1 x h2 0 0", &bridge("n")), words);
    let doubler = "D1 b1 r 1N4007\nD2 n b1 1N4007\nC1 r b2 100u ; rated=160V\nC2 b2 n 100u ; rated=160V\nRL r n 47k\nRN n 0 1";
    passes(&supply("h1 0 h2 b1 b2", doubler));
    let bias = "D1 n b1 1N4007\nCB 0 n 47u ; rated=100V electrolytic\nRB n 0 47k";
    passes(&supply("h1 0 h2 b1 0", bias));
    fails(&supply("h1 0 h2 b1 b2", bias), words);
    // A reservoir behind an open switch stands at the crest.
    let aside = format!("{silicon}\nD5 h1 s 1N4007\nD6 h2 s 1N4007\nXS s r toggle at=0");
    passes(&supply("h1 0 h2 0 0", &aside));
}

#[test]
fn a_reversed_electrolytic_has_no_figure_that_is_ok() {
    let netlist = supply(
        "h1 0 h2 0 0",
        "XV5 h1 h2 r GZ34\nCR 0 r 32u ; rated=500V electrolytic ripple=0.4A\nCS r 0 1u ; rated=500V\nRL r 0 5k",
    );
    let file = Netlist::new(&netlist);
    let table = Gridleak::command("bias").path(file.path()).table().unwrap();
    let of = |part: &str| {
        let rows = table.rows.iter().filter(|row| row[0] == part);
        rows.map(|row| row[5].clone()).collect::<Vec<_>>()
    };
    let own = of("CR");
    assert!(
        own.len() >= 3 && own.iter().all(|v| v.starts_with("reversed by")),
        "{own:?}"
    );
    assert!(of("CS").iter().all(|v| v == "ok"));
    let (status, text) = judged(&netlist);
    assert_eq!(status, 1, "{text}");
    assert!(
        text.contains("that have a rating are within it; those of the reversed `CR` are not"),
        "{text}"
    );
    assert!(!text.contains("\nall "), "{text}");
}
