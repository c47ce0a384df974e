//! Hands the linker the memory map of the target that is built.

fn main() {
    let (os, arch) = (variable("CARGO_CFG_TARGET_OS"), variable("CARGO_CFG_TARGET_ARCH"));
    println!("cargo::rerun-if-changed=link");
    if os == "none" {
        let map = if arch == "arm" { "cortex_m.ld" } else { "riscv.ld" };
        // Relative to this package, which is where cargo runs the linker: no path of a machine is kept.
        println!("cargo::rustc-link-arg-bins=-Llink");
        println!("cargo::rustc-link-arg-bins=-T{map}");
    }
}

fn variable(name: &str) -> String {
    std::env::var(name).unwrap_or_default()
}
