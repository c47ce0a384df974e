#!/usr/bin/env python3
"""Worst depth of the stack below a function of a Thumb image, by its call graph; needs llvm-objdump and llvm-nm.

    static_stack.py IMAGE FUNCTION

FUNCTION is the end of a name as llvm-nm demangles it, type arguments left out. Prints the deepest chain of calls and, in
the form of an image's measurements, `measured static_stack FUNCTION BYTES`.

A function's frame is all that it pushes or takes off the stack pointer anywhere; a tail call counts as a call. Both are no less
than what is used. An indirect call, recursion, or a stack pointer that is set in any other way leave no bound: they
are named. Exit code: 0 bounded, 1 not so, 2 could not be done.
"""

import re
import subprocess
import sys
from bisect import bisect_right

# Changes of the stack pointer that take nothing more: what was taken is given back.
GIVES_BACK = re.compile(r"(pop|vpop|ldm|vldm)|(add|addw)(\.w)? sp, (sp, )?#|ldr\w*(\.w)? \w+, \[sp\], #")
TAKES = re.compile(r"(?:sub|subw|sub\.w) sp, (?:sp, )?#(\d+)$|strd?(?:\.w)? .*\[sp, #-(\d+)\]!$")
WRITES_SP = re.compile(r"(?!cmp|tst|ldm|stm|vldm|vstm)\w+(\.\w+)? sp\b|.*(\[sp.*\]!|\[sp\], )|\w*(ldm|stm)\S* sp!")
CALLS = re.compile(r"(bl|b)(eq|ne|hs|lo|mi|pl|vs|vc|hi|ls|ge|lt|gt|le)?(\.w)? (0x[0-9a-f]+)|cbn?z \w+, (0x[0-9a-f]+)")
INDIRECT = re.compile(r"blx|bx\w* (?!lr)|(ldr|mov)\S* pc,")
RETURN = re.compile(r"bx\w* lr|pop.*pc}|ldr\S* pc, \[sp\], #")


def tool(*words):
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


def without_arguments(name):
    """`<a::B<16>>::c::<()>` to `a::B::c`."""
    name = name.replace("{closure#", "{closure ")
    while (shorter := re.sub(r"::<[^<>]*>|(?<=\w)<[^<>]*>", "", name)) != name:
        name = shorter
    return re.sub(r"^<([^<>]*)>", r"\1", name)


class Function:
    def __init__(self, name):
        self.name, self.frame, self.callees, self.unbounded = name, 0, set(), []


def functions(image):
    """Functions by address, with their frames and calls."""
    found = {}
    for line in tool("llvm-nm", "--defined-only", "--demangle", image).splitlines():
        address, kind, name = line.split(maxsplit=2)
        # An address has the linker's names as well as the function's.
        if kind in "tT" and not name.startswith("$") and not re.fullmatch(r"_\w+_(start|end)", name):
            found[int(address, 16) & ~1] = Function(name)
    starts = sorted(found)
    owner = lambda address: starts[bisect_right(starts, address) - 1] if address >= starts[0] else None
    for line in tool("llvm-objdump", "-d", "--no-show-raw-insn", "--demangle", image).splitlines():
        at = re.match(r" *([0-9a-f]+):\s+([a-z].*)", line)
        if at and owner(address := int(at[1], 16)) is not None:
            instruction = re.sub(r"\s*(<.*|@.*)?$", "", at[2].replace("\t", " "))
            read(found[owner(address)], owner(address), instruction, owner)
    return found


def read(function, start, instruction, owner):
    """Takes in one instruction of a function."""
    if registers := re.match(r"(v?)push\S* {(.*)}$", instruction):
        size = 8 if registers[1] and "d" in registers[2] else 4
        function.frame += size * len(registers[2].split(","))
    elif taken := TAKES.match(instruction):
        function.frame += int(taken[1] or taken[2])
    elif RETURN.match(instruction) or GIVES_BACK.match(instruction):
        pass
    elif INDIRECT.match(instruction):
        function.unbounded.append(f"indirect call: {instruction}")
    elif WRITES_SP.match(instruction):
        function.unbounded.append(f"sets the stack pointer: {instruction}")
    elif call := CALLS.match(instruction):
        target = owner(int(call[4] or call[5], 16))
        # Within the function a branch is a loop, a call is recursion.
        if target != start or call[1] == "bl":
            function.callees.add(target)


def deepest(found, root):
    """Chain of the deepest calls from a function, and what leaves no bound."""
    chains, under_way, unbounded = {}, [], []

    def depth(chain):
        return sum(found[start].frame for start in chain)

    def chain(start):
        if start in under_way:
            names = " -> ".join(without_arguments(found[at].name) for at in under_way[under_way.index(start) :] + [start])
            unbounded.append(f"recursion: {names}")
            return []
        if start not in chains:
            under_way.append(start)
            unbounded.extend(f"{without_arguments(found[start].name)}: {what}" for what in found[start].unbounded)
            chains[start] = [start] + max((chain(callee) for callee in sorted(found[start].callees)), key=depth, default=[])
            under_way.pop()
        return chains[start]

    return chain(root), unbounded


def main():
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    image, wanted = sys.argv[1:]
    try:
        found = functions(image)
    except (OSError, subprocess.CalledProcessError) as error:
        print(f"could not be done: {error}", file=sys.stderr)
        return 2
    roots = [start for start in found if without_arguments(found[start].name).endswith(wanted)]
    if len(roots) != 1:
        print(f"could not be done: {len(roots)} functions are called {wanted}", file=sys.stderr)
        return 2
    chain, unbounded = deepest(found, roots[0])
    depth = 0
    print(f"{'bytes':>7} {'down to':>8}  deepest calls of {wanted}")
    for start in chain:
        depth += found[start].frame
        print(f"{found[start].frame:7} {depth:8}  {without_arguments(found[start].name)}")
    for what in sorted(set(unbounded)):
        print(f"NO BOUND OF THE STACK: {what}")
    print(f"measured static_stack {wanted.rsplit(':', 1)[-1]} {depth}")
    return 1 if unbounded else 0


if __name__ == "__main__":
    sys.exit(main())
