//! Hands the linker the memory map of the target that is built.

fn main() {
    let (os, arch) = (variable("CARGO_CFG_TARGET_OS"), variable("CARGO_CFG_TARGET_ARCH"));
    println!("cargo::rerun-if-changed=link");
    if os == "none" {
        let map = if arch == "arm" { "cortex_m.ld" } else { "riscv.ld" };
        println!("cargo::rustc-link-arg-bins=-L{}/link", variable("CARGO_MANIFEST_DIR"));
        println!("cargo::rustc-link-arg-bins=-T{map}");
    }
}

fn variable(name: &str) -> String {
    std::env::var(name).unwrap_or_default()
}
