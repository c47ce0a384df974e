//! Hands the linker the memory map of the target that is built.

fn main() {
    let (os, arch) = (variable("CARGO_CFG_TARGET_OS"), variable("CARGO_CFG_TARGET_ARCH"));
    println!("cargo::rerun-if-changed=link");
    println!("cargo::rerun-if-env-changed=STACKHOLD_MEMORY_MAP");
    if os == "none" {
        let own = variable("STACKHOLD_MEMORY_MAP");
        let map = match arch.as_str() {
            _ if !variable("CARGO_FEATURE_PANIC_FREE").is_empty() => "unlimited.ld",
            _ if !own.is_empty() => &own,
            "arm" => "cortex_m.ld",
            "sparc" => "sparc.ld",
            _ => "riscv.ld",
        };
        // Relative to this package, which is where cargo runs the linker: no path of a machine is kept.
        println!("cargo::rustc-link-arg-bins=-Llink");
        println!("cargo::rustc-link-arg-bins=-T{map}");
        if !variable("CARGO_FEATURE_DEFMT").is_empty() {
            // Where the words of the log go: beside the program, not into flash.
            println!("cargo::rustc-link-arg-bins=-Tdefmt.x");
        }
    }
}

fn variable(name: &str) -> String {
    std::env::var(name).unwrap_or_default()
}
