//! A bare forwarder: what comes in at one port of a device goes out at another, and nothing
//! else happens. The bench measures `segue` beside it.
//!
//!     forwarder "Bench Wires" 2 3      from the port with index 2 to that with index 3
#![allow(clippy::unwrap_used)]

use midir::{MidiInput, MidiOutput};

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [device, from, to] = words.as_slice() else {
        return;
    };
    let input = MidiInput::new("forwarder in").unwrap();
    let output = MidiOutput::new("forwarder out").unwrap();
    let is_it = |name: String, port: &str| {
        name.starts_with(device.as_str()) && name.ends_with(&format!(":{port}"))
    };
    let from = input
        .ports()
        .into_iter()
        .find(|p| is_it(input.port_name(p).unwrap(), from));
    let to = output
        .ports()
        .into_iter()
        .find(|p| is_it(output.port_name(p).unwrap(), to));
    let mut out = output.connect(&to.unwrap(), "to").unwrap();
    let _input = input.connect(
        &from.unwrap(),
        "from",
        move |_, bytes, _| out.send(bytes).unwrap(),
        (),
    );
    loop {
        std::thread::park();
    }
}
