//! `page-bindings PROGRAM DIR`: the compiled library PROGRAM as DIR/bossmark_bg.wasm, and the JavaScript that calls it.

use std::process::ExitCode;
use wasm_bindgen_cli_support::Bindgen;

fn main() -> ExitCode {
    let mut arguments = std::env::args_os().skip(1);
    let (Some(program), Some(folder), None) =
        (arguments.next(), arguments.next(), arguments.next())
    else {
        eprintln!("usage: page-bindings PROGRAM DIR");
        return ExitCode::from(2);
    };
    let written = Bindgen::new()
        .input_path(program)
        .out_name("bossmark")
        .remove_name_section(true)
        .remove_producers_section(true)
        .typescript(true)
        .web(true)
        .and_then(|bindings| bindings.generate(folder));
    match written {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("page-bindings: {error:#}");
            ExitCode::FAILURE
        }
    }
}
