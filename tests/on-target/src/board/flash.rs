//! The flight table's own sector of flash, apart from the code, so that one can be written without the other.

use stackhold_kernel::flight_table::LONGEST;

unsafe extern "C" {
    /// First byte of the sector, from the memory map.
    static _flight_table: [u8; LONGEST];
}

/// As many bytes of the sector as a table may have; erased flash where there is none.
pub fn table_sector() -> &'static [u8] {
    // SAFETY: the memory map keeps at least so many bytes there for it, which nothing writes while the image runs.
    unsafe { &*core::ptr::addr_of!(_flight_table) }
}
