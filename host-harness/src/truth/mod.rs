//! Truth: the stack as it really moves. Imports nothing of the kernel.
