//! The contract of Scantling: package `scantling.v1`, compiled from the files under `proto/`.

/// Messages, clients and servers of package `scantling.v1`.
#[allow(missing_docs, unreachable_pub, unused_qualifications, clippy::all, clippy::pedantic)]
pub mod v1 {
    tonic::include_proto!("scantling.v1");
}

/// The encoded `FileDescriptorSet` of the contract with comments and imports.
pub const DESCRIPTOR: &[u8] = tonic::include_file_descriptor_set!("scantling_descriptor");

/// The contract as descriptors, for JSON and for reflection; decoded once.
pub fn pool() -> &'static prost_reflect::DescriptorPool {
    static POOL: std::sync::LazyLock<prost_reflect::DescriptorPool> = std::sync::LazyLock::new(|| {
        prost_reflect::DescriptorPool::decode(DESCRIPTOR).expect("the build wrote and read this descriptor")
    });
    &POOL
}
