//! The real binary: where it refuses to start, and how people are added without their passwords
//! being seen.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn xylocast(args: &[&str], data: Option<&Path>, input: &str) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_xylocast"));
    command.args(args).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    for name in ["XYLOCAST_DATA", "XYLOCAST_GROVE", "XYLOCAST_LISTEN"] {
        command.env_remove(name);
    }
    if let Some(data) = data {
        command.arg("--data").arg(data);
    }
    let mut child = command.spawn().unwrap();
    // One that does not read it may have ended already.
    let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
    child.wait_with_output().unwrap()
}

fn words(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn it_refuses_to_let_others_in_without_passwords_or_in_plain() {
    let folder = tempfile::tempdir().unwrap();
    let data = Some(folder.path());
    let wide = ["serve", "--listen", "0.0.0.0:0"];
    for (args, data, told) in [
        (wide.as_slice(), None, "name one with --data"),
        (&wide, data, "people add NAME --role manager"),
        (&["serve", "--listen", "[::]:0"], data, "people add NAME --role manager"),
        (&["serve", "--listen", "127.0.0.1:0", "--behind-https-proxy"], data, "people add"),
    ] {
        let output = xylocast(args, data, "");
        assert_eq!(output.status.code(), Some(2), "{args:?}: {}", words(&output));
        assert!(words(&output).contains(told), "{args:?}: {}", words(&output));
    }
    let added = xylocast(&["people", "add", "Ada", "--role", "manager"], data, "correct horse\n");
    assert_eq!(added.status.code(), Some(0), "{}", words(&added));
    let plain = xylocast(&wide, data, "");
    assert_eq!(plain.status.code(), Some(2));
    assert!(words(&plain).contains("for all to read"), "{}", words(&plain));
    let bad = folder.path().join("bad.pem");
    std::fs::write(&bad, "no certificate").unwrap();
    let bad = bad.to_str().unwrap();
    let tls = xylocast(
        &["serve", "--listen", "0.0.0.0:0", "--tls-cert", bad, "--tls-key", bad],
        data,
        "",
    );
    assert_eq!(tls.status.code(), Some(2));
    assert!(words(&tls).contains("PEM"), "{}", words(&tls));
}

#[test]
fn people_and_tokens_from_the_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let data = Some(folder.path());
    let run = |args: &[&str], input: &str| {
        let output = xylocast(args, data, input);
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        (output.status.code().unwrap(), text, words(&output))
    };
    let (code, _, told) = run(&["people", "add", "Bo", "--role", "crew"], "battery staple\n");
    assert!(code == 2 && told.contains("first person must be a manager"), "{told}");
    let (code, _, told) = run(&["people", "add", "Ada", "--role", "manager"], "short\n");
    assert!(code == 2 && told.contains("at least 10") && !told.contains("short"), "{told}");
    assert_eq!(run(&["people", "add", "Ada", "--role", "manager"], "correct horse\n").0, 0);
    let file = folder.path().join("password");
    std::fs::write(&file, "battery staple\n").unwrap();
    let from_file =
        ["people", "add", "Bo", "--role", "crew", "--password-file", file.to_str().unwrap()];
    let (code, text, _) = run(&from_file, "");
    assert!(code == 0 && !text.contains("staple"), "{text}");
    let (_, text, _) = run(&["people", "list"], "");
    assert!(text.contains("Ada: manager") && text.contains("Bo: crew"), "{text}");
    let (code, _, told) = run(&["people", "disable", "Ada"], "");
    assert!(code == 2 && told.contains("only manager"), "{told}");
    assert_eq!(run(&["people", "role", "Bo", "manager"], "").0, 0);
    assert_eq!(run(&["people", "disable", "Ada"], "").0, 0);
    assert_eq!(run(&["people", "enable", "Ada"], "").0, 0);
    assert_eq!(run(&["people", "password", "Ada"], "another horse\n").0, 0);
    let (code, _, told) = run(&["people", "password", "Nobody"], "another horse\n");
    assert!(code == 2 && told.contains("nobody is called"), "{told}");
    let (code, text, _) = run(&["token", "add", "logger", "--of", "Bo", "--role", "crew"], "");
    assert!(code == 0 && text.trim().len() == "xylocast_".len() + 64, "{text}");
    let (_, listed, _) = run(&["token", "list"], "");
    assert!(listed.contains("logger: crew, for Bo") && !listed.contains(text.trim()), "{listed}");
    assert_eq!(run(&["token", "revoke", "logger"], "").0, 0);
    assert_eq!(run(&["token", "revoke", "logger"], "").0, 2);
}
