//! Compiles the contract without protoc.

use std::path::PathBuf;

use protox::prost_reflect::prost::Message;
use protox::prost_reflect::prost_types::FileDescriptorSet;

const FILES: [&str; 10] = [
    "scantling/v1/part.proto",
    "scantling/v1/plan.proto",
    "scantling/v1/blob.proto",
    "scantling/v1/acquisition.proto",
    "scantling/v1/inspection.proto",
    "scantling/v1/instrument.proto",
    "scantling/v1/measurement.proto",
    "scantling/v1/simulation.proto",
    "scantling/v1/self_check.proto",
    "scantling/v1/error.proto",
];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    println!("cargo:rerun-if-changed=proto");
    let bytes = protox::Compiler::new(["proto"])?
        .include_source_info(true)
        .include_imports(true)
        .open_files(FILES)?
        .encode_file_descriptor_set();
    let out = PathBuf::from(std::env::var("OUT_DIR")?);
    std::fs::write(out.join("scantling_descriptor.bin"), &bytes)?;
    tonic_prost_build::configure().bytes(".").compile_fds(FileDescriptorSet::decode(bytes.as_slice())?)?;
    Ok(())
}
