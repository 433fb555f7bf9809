use super::*;
use proptest::prelude::*;

fn cm(text: &str) -> Vec<f64> {
    let read = read(text, Tape::Centimetres).unwrap_or_else(|flaw| panic!("{text}: {flaw}"));
    read.iter().map(|c| (c.value() * 1000.0).round() / 1000.0).collect()
}

fn refused(text: &str) -> String {
    read(text, Tape::Centimetres).unwrap_err().to_string()
}

#[test]
fn lists_are_read_however_they_are_set_out() {
    assert_eq!(cm("94.2, 101 cm; 37 in"), [94.2, 101.0, 93.98]);
    assert_eq!(cm("94 101\n88\r\n"), [94.0, 101.0, 88.0]);
    assert_eq!(cm("94,101,88"), [94.0, 101.0, 88.0]);
    assert_eq!(cm("94.2,88"), [94.2, 88.0]);
    assert_eq!(cm(";94.2;;"), [94.2]);
    assert_eq!(cm("942 mm, 0.942m, .942 M"), [94.2, 94.2, 94.2]);
    assert_eq!(cm("\u{feff}94cm 95CM"), [94.0, 95.0]);
}

#[test]
fn feet_inches_and_fractions_are_read() {
    assert_eq!(cm("37 1/2 in; 37½\"; 37.5 inches."), [95.25, 95.25, 95.25]);
    assert_eq!(cm("3 ft 1 in, 3'1\", 3′ 1½″, 3 feet"), [93.98, 93.98, 95.25, 91.44]);
    assert_eq!(cm("3'1'', 37 in."), [93.98, 93.98]);
    let inches = read("37, 38 1/4", Tape::Inches).unwrap();
    assert!((inches[1].inches() - 38.25).abs() < 1e-12);
}

#[test]
fn what_could_mean_two_things_is_refused() {
    assert_eq!(
        refused("94,2"),
        "'94,2' may be one number or two; write 94.2 or put a blank after the comma"
    );
    assert!(refused("101 cm; 94,25 cm").contains("write 94.25"));
    let which = "circumference 1: 36 has no unit, a number near it is in 'in', and numbers without a \
                 unit are read in 'cm'; write the unit after it";
    assert_eq!(refused("36, 37, 38 in"), which);
    assert!(refused("37 in, 94.2, 101 cm").starts_with("circumference 2: 94.2 has no unit"));
    assert!(refused("37 1/2").contains("37.5 has no unit"));
    assert!(refused("3' 37").contains("37 has no unit"));
}

#[test]
fn what_cannot_be_is_refused_with_its_place() {
    assert_eq!(
        refused("94, 5 cm"),
        "circumference 2, 5 cm: circumference 5 cm is outside 10 to 1500 cm; measure and type \
         it again"
    );
    assert!(refused("94 m").contains("9400 cm is outside 10 to 1500 cm"));
    assert_eq!(
        refused("94 -101"),
        "circumference 2: '-101' is neither a number nor a unit (cm, mm, m, in, ft)"
    );
    for text in ["", " ,;\n", "cm", "1/2 in", "94 yards", "94..2", "37 5/4 in", "37 1/0 in"] {
        assert!(read(text, Tape::Centimetres).is_err(), "{text}");
    }
    for text in ["94.5 1/2 in", "94 1/2 cm", "1e2", "NaN", "inf", "٩٤", "9999999999999", "94/"] {
        assert!(read(text, Tape::Centimetres).is_err(), "{text}");
    }
    assert_eq!(read(&"94 ".repeat(MOST + 1), Tape::Centimetres), Err(TapeFlaw::TooMany));
}

proptest! {
    #[test]
    fn no_text_panics(text in "\\PC*", like in "[0-9.,;/ '\"½cminft\n-]{0,40}") {
        for tape in [Tape::Centimetres, Tape::Inches] {
            for text in [&text, &like] {
                if let Ok(read) = read(text, tape) {
                    prop_assert!(!read.is_empty());
                    prop_assert!(read.iter().all(|c| Circumference::new(c.value()).is_ok()));
                }
            }
        }
    }

    #[test]
    fn what_is_written_plainly_reads_back(tenths in prop::collection::vec(100_u32..=15_000, 1..30)) {
        let numbers: Vec<f64> = tenths.iter().map(|&t| f64::from(t) / 10.0).collect();
        let text = numbers.iter().map(|n| format!("{n} cm")).collect::<Vec<_>>().join(", ");
        let read: Vec<f64> =
            read(&text, Tape::Centimetres).unwrap().iter().map(|c| c.value()).collect();
        prop_assert_eq!(read, numbers);
    }
}
