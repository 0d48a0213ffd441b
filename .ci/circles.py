#!/usr/bin/env python3
"""Looks for circles of files inside a crate: none may be larger than a parent and its children.

A file uses another when it names something that is defined there, by whatever path it gets at it:
`use` of `crate::`, `super::` or a child, the same paths in code, and through what a module on the
way re-exports. To re-export is not to use. Tests are left out: nobody uses them.

    .ci/circles.py            all crates; circles that are not in KNOWN are an error
    .ci/circles.py CRATE      the circles of one crate, and what makes them
"""

import pathlib
import re
import sys

ROOT = pathlib.Path(__file__).resolve().parent.parent

# Circles that stand today, by crate: how many files are in each, the largest first. The list may
# only shrink.
KNOWN = {}

ITEM = re.compile(
    r"(?<!')\b(?:fn|struct|enum|union|trait|type|const|static|macro_rules!)\s+(?:mut\s+)?([A-Za-z_]\w*)"
)
PATH = re.compile(r"(?<![\w:.])(?:\$?crate|super|self|[a-z_]\w*)(?:::(?:[A-Za-z_]\w*))+")


def without_comments_and_texts(source):
    """The code alone: comments and the insides of texts become blanks."""
    pattern = re.compile(
        r'//[^\n]*|/\*.*?\*/|b?r(#*)".*?"\1|b?"(?:\\.|[^"\\])*"|b?\'(?:\\.[^\']*|[^\'\\])\'',
        re.S,
    )
    return pattern.sub(lambda m: '""' if '"' in m.group(0)[:4] else " ", source)


def closing(code, at):
    """The position after the brace that closes the one at `at`."""
    depth = 0
    for position in range(at, len(code)):
        depth += {"{": 1, "}": -1}.get(code[position], 0)
        if depth == 0:
            return position + 1
    return len(code)


def without_tests(code):
    """Without items under `#[cfg(test)]`."""
    while (found := re.search(r"#\[cfg\((?:all\()?test\b[^\]]*\]", code)) is not None:
        rest = re.compile(r"[;{]").search(code, found.end())
        end = len(code)
        if rest is not None:
            end = closing(code, rest.start()) if rest.group() == "{" else rest.end()
        code = code[: found.start()] + code[end:]
    return code


def leaves(tree):
    """`a::{b, c as d, e::*}` as [(path, name)], path a list; the name is "*" for globs."""
    tree = tree.strip()
    brace = tree.find("{")
    if brace >= 0:
        head = [part for part in tree[:brace].strip().split("::") if part]
        inside, parts, depth, start = tree[brace + 1 : tree.rfind("}")], [], 0, 0
        for at, sign in enumerate(inside):
            depth += {"{": 1, "}": -1}.get(sign, 0)
            if sign == "," and depth == 0:
                parts.append(inside[start:at])
                start = at + 1
        parts.append(inside[start:])
        return [(head + path, name) for part in parts if part.strip() for path, name in leaves(part)]
    path, _, alias = (part.strip() for part in tree.partition(" as "))
    parts = [part.strip() for part in path.split("::") if part.strip()]
    if parts[-1] == "self":
        parts.pop()
    return [(parts, alias or (parts[-1] if parts else ""))]


class Module:
    """A module, of a file of its own or inside one."""

    def __init__(self, name, parent, file):
        self.name, self.parent, self.file = name, parent, file
        self.children, self.items, self.imports, self.globs, self.code = {}, set(), {}, [], ""

    def root(self):
        return self if self.parent is None else self.parent.root()

    def inside_file(self):
        """The modules that share this file."""
        yield self
        for child in self.children.values():
            if child.file == self.file:
                yield from child.inside_file()


def read(module, code, folder):
    """Fills a module from its code; `folder` is where the files of its children are."""
    declared = re.compile(
        r'((?:#\[[^\]]*\]\s*)*)(?:pub(?:\([^)]*\))?\s+)?\bmod\s+([a-z_]\w*)\s*([;{])'
    )
    while (found := declared.search(code)) is not None:
        attributes, name, sign = found.groups()
        end = found.end() if sign == ";" else closing(code, found.end() - 1)
        inside = code[found.end() : end - 1]
        code = code[: found.start()] + code[end:]
        if sign == "{":
            child = Module(name, module, module.file)
            read(child, inside, folder / name)
            module.children[name] = child
            continue
        for file, below in ((folder / f"{name}.rs", folder / name), (folder / name / "mod.rs", folder / name)):
            if file.exists():
                child = Module(name, module, file)
                module.children[name] = child
                read(child, without_tests(without_comments_and_texts(file.read_text())), below)
    uses = re.compile(r"(\bpub(?:\([^)]*\))?\s+)?\buse\s+([^;]+);")
    for found in uses.finditer(code):
        for path, name in leaves(" ".join(found.group(2).split())):
            if name == "*":
                module.globs.append(path[:-1])
            elif path:
                module.imports[name] = (path, found.group(1) is not None)
    module.code = uses.sub(" ", code)
    module.items = set(ITEM.findall(module.code))


def resolve(module, path, seen=()):
    """The file in which what a path names is defined; `None` outside the crate."""
    if (module, tuple(path)) in seen:
        return None
    seen = (*seen, (module, tuple(path)))
    for at, part in enumerate(path):
        rest = path[at + 1 :]
        if part in ("crate", "$crate"):
            module = module.root()
        elif part == "self":
            continue
        elif part == "super":
            if module.parent is None:
                return None
            module = module.parent
        elif part in module.children:
            module = module.children[part]
        elif part in module.items:
            return module.file
        elif part in module.imports:
            return resolve(module, module.imports[part][0] + rest, seen)
        else:
            for glob in module.globs:
                found = resolve(module, glob + [part] + rest, seen)
                if found is not None:
                    return found
            return module.file if at > 0 and path[0] in ("crate", "$crate", "self", "super") and not rest and part[0].isupper() and (part in module.code) else None
    return module.file if len(path) > 0 else None


def files_of(module):
    yield module
    for child in module.children.values():
        yield from files_of(child)


def uses(root):
    """Of every file, the files it uses, each with what it names there."""
    graph = {}
    for module in files_of(root):
        edges = graph.setdefault(module.file, {})
        named = set(re.findall(r"[A-Za-z_]\w*", module.code))

        def add(path):
            target = resolve(module, path)
            if target is not None and target != module.file:
                edges.setdefault(target, set()).add("::".join(path))

        for name, (path, public) in module.imports.items():
            if not public or name in named:
                add(path)
        for glob in module.globs:
            # What of it is used: the names that are defined behind it.
            for name in named - module.items - set(module.imports):
                target = resolve(module, glob + [name])
                if target is not None and target != module.file:
                    edges.setdefault(target, set()).add("::".join(glob + [name]))
        for path in PATH.findall(module.code):
            add(path.split("::"))
    return graph


def circles(graph):
    """Strongly connected files (Tarjan), two and more."""
    order, low, stack, found = {}, {}, [], []

    def visit(node):
        order[node] = low[node] = len(order)
        stack.append(node)
        for target in graph.get(node, ()):
            if target not in order:
                visit(target)
                low[node] = min(low[node], low[target])
            elif target in stack:
                low[node] = min(low[node], order[target])
        if low[node] == order[node]:
            at = stack.index(node)
            group = stack[at:]
            del stack[at:]
            if len(group) > 1:
                found.append(sorted(group))

    sys.setrecursionlimit(10_000)
    for node in list(graph):
        if node not in order:
            visit(node)
    return sorted(found, key=len, reverse=True)


def parents(root):
    """Of every file, the file of the module it is in."""
    return {m.file: m.parent.file for m in files_of(root) if m.parent and m.parent.file != m.file}


def is_family(group, parent):
    """Whether these are a parent and children of it. The crate is no parent in this sense: it uses
    its modules, and none of them uses what only the crate's own file defines."""
    heads = [file for file in group if file in parent]
    return any(all(file == head or parent.get(file) == head for file in group) for head in heads)


def crate_circles(crate):
    """The circles of a crate that are larger than a parent and its children, and its graph."""
    bad, graph = [], {}
    for start in ("lib.rs", "main.rs"):
        file = crate / "src" / start
        if file.exists():
            root = Module("crate", None, file)
            code = without_tests(without_comments_and_texts(file.read_text()))
            read(root, code, crate / "src")
            here = uses(root)
            graph |= here
            family = parents(root)
            bad += [group for group in circles(here) if not is_family(group, family)]
    return bad, graph


def main():
    crates = sorted(path.parent for path in (ROOT / "crates").glob("*/Cargo.toml"))
    crates.append(ROOT / "tests")
    if len(sys.argv) > 1:
        crate = next(crate for crate in crates if crate.name == sys.argv[1])
        bad, graph = crate_circles(crate)
        for group in bad:
            print(f"{len(group)} files")
            for file in group:
                for target in sorted(set(graph[file]) & set(group)):
                    names = ", ".join(sorted(graph[file][target])[:4])
                    short = lambda path: path.relative_to(crate / "src")
                    print(f"  {short(file)} -> {short(target)}: {names}")
        return 1 if bad else 0
    problems = 0
    for crate in crates:
        bad, _ = crate_circles(crate)
        sizes, known = [len(group) for group in bad], KNOWN.get(crate.name, [])
        if sizes == known:
            continue
        problems += 1
        print(f"circles: {crate.name}: {sizes} files, {known} known; .ci/circles.py {crate.name} says which", file=sys.stderr)
    print(f"circles: {len(crates)} crates, {problems} problems")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
