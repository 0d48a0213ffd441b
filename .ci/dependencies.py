#!/usr/bin/env python3
"""Checks what the workspace depends on against deny.toml: licences, bans, sources.

The same lists as `cargo deny check licenses bans sources`, for machines without cargo-deny. Also
checks what cargo-deny cannot know. The map in DEVELOPERS.md is the one table of our crates: each is
in it, uses exactly the crates that its row names, and only those above it; where its row says that
it has no clock and no I/O, it depends on nothing that has. Every dependency has its line in
docs/src/dependencies.md. And every crate under crates/ is ready for a registry: what a page there
shows is filled in, README and licences are in the package, what it needs of ours has its version.
"""

import json
import pathlib
import re
import subprocess
import sys
import tomllib

ROOT = pathlib.Path(__file__).resolve().parent.parent

# What a row forbids that says "knows no file format".
FORMAT_CRATES = {"toml", "strsim", "csv", "vcd"}
IO_CRATES = {"tokio", "serialport", "mio", "async-std", "nix", "rustix"}


# Categories of crates.io that our crates are in (https://crates.io/category_slugs).
CATEGORIES = {
    "algorithms", "api-bindings", "asynchronous", "command-line-utilities", "config", "data-structures", "database",
    "development-tools", "development-tools::debugging", "development-tools::testing", "embedded", "emulators",
    "encoding", "finance", "hardware-support", "no-std", "parser-implementations", "simulation", "template-engine",
    "web-programming::http-server",
}

# The helpers of the end-to-end tests, which are a program of `payrig` for cargo to build its binary
# with them: the one arrow that turns back, and it is no arrow of what is shipped.
TURNS_BACK = {("payrig", "payrig-tests")}


class Row:
    """A row of the map: the crates above it, those it uses, and whether it has a clock or I/O."""

    def __init__(self, name, above, uses, io):
        self.name, self.above, self.uses = name, above, uses
        self.has_io = not io.startswith("none")
        self.has_formats = "no file format" not in io


def package(folder):
    """The package of a row: `payrig-` and its folder, but for the command line."""
    return folder if folder == "payrig" else f"payrig-{folder}"


def the_map(text):
    """The rows of the map in DEVELOPERS.md, by package, and what is wrong with it."""
    section = text.split("\n## The map\n", 1)[1].split("\n#", 1)[0]
    rows, problems = {}, []
    for line in section.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        crate = re.fullmatch(r"`([a-z-]+)`", cells[0])
        if crate is None or len(cells) != 4:
            continue
        name, above = package(crate.group(1)), set(rows)
        named = {package(folder) for folder in re.findall(r"`([a-z-]+)`", cells[2])}
        if cells[2].startswith("all above"):
            uses = above - named
        elif cells[2] == "nothing" or named:
            uses = named
        else:
            uses = set()
            problems.append(f"the map: {name}: \"Uses\" names crates, or says nothing, all above, or all above but")
        for other in sorted(named - above):
            problems.append(f"the map: {name} names {other}, which is not above it")
        rows[name] = Row(name, above, uses, cells[3])
    return rows, problems


def against_the_map(row, package, ours):
    """What a crate depends on and the map does not say, or the other way round."""
    problems = []
    needs = {d["name"] for d in package["dependencies"] if d["name"] in ours and d["kind"] != "dev"}
    for other in sorted(needs - row.uses):
        problems.append(f"{row.name} depends on {other}: its row in DEVELOPERS.md does not say so")
    for other in sorted(row.uses - needs):
        problems.append(f"{row.name} does not depend on {other}: its row in DEVELOPERS.md says so")
    for dependency in package["dependencies"]:
        other = dependency["name"]
        if dependency["kind"] == "dev" and other in ours - row.above:
            if (row.name, other) not in TURNS_BACK:
                problems.append(f"the tests of {row.name} depend on {other}, which is not above it")
        if dependency["kind"] != "dev" and not row.has_io and other in IO_CRATES:
            problems.append(f"{row.name} depends on {other}: it is to do no I/O")
        if dependency["kind"] != "dev" and not row.has_formats and other in FORMAT_CRATES:
            problems.append(f"{row.name} depends on {other}: it is to know no file format")
    return problems


def metadata():
    command = ["cargo", "metadata", "--format-version", "1", "--locked", "--all-features"]
    return json.loads(subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.PIPE).stdout)


def licence_holds(expression, allowed):
    """Evaluates an SPDX expression: OR takes either side, AND needs both."""
    tokens = re.findall(r"\(|\)|[^\s()]+", expression.replace("/", " OR "))

    def alternatives(at):
        holds, at = together(at)
        while at < len(tokens) and tokens[at] == "OR":
            right, at = together(at + 1)
            holds = holds or right
        return holds, at

    def together(at):
        holds, at = one(at)
        while at < len(tokens) and tokens[at] == "AND":
            right, at = one(at + 1)
            holds = holds and right
        return holds, at

    def one(at):
        if tokens[at] == "(":
            holds, at = alternatives(at + 1)
            return holds, at + 1
        name, at = tokens[at], at + 1
        if at + 1 < len(tokens) and tokens[at] == "WITH":
            name, at = f"{name} WITH {tokens[at + 1]}", at + 2
        return name in allowed, at

    holds, _ = alternatives(0)
    return holds


def unready(package, ours):
    """What a registry, or who finds the crate there, would miss."""
    folder = pathlib.Path(package["manifest_path"]).parent
    problems = [
        f"no {field.replace('_', '-')}"
        for field in ("description", "documentation", "repository", "license", "rust_version", "readme")
        if not package[field]
    ]
    for file in (package["readme"] or "README.md", "LICENSE-MIT", "LICENSE-APACHE"):
        if not (folder / file).is_file():
            problems.append(f"{file} is not in its folder")
    keywords, categories = package["keywords"], package["categories"]
    if not 1 <= len(keywords) <= 5 or any(not re.fullmatch(r"[a-z][a-z0-9_+-]{0,19}", k) for k in keywords):
        problems.append("keywords: one to five, each a word of at most 20 characters")
    if not 1 <= len(categories) <= 5:
        problems.append("categories: one to five")
    for category in sorted(set(categories) - CATEGORIES):
        problems.append(f"category {category}: is it one of crates.io? Then add it to .ci/dependencies.py")
    for dependency in package["dependencies"]:
        if dependency["name"] in ours and dependency["kind"] != "dev" and dependency["req"] != f"^{package['version']}":
            problems.append(f"{dependency['name']} needs its version, {package['version']}, beside its path")
    return [f"{package['name']} is not ready for a registry: {problem}" for problem in problems]


def main():
    deny = tomllib.loads((ROOT / "deny.toml").read_text())
    allowed = set(deny["licenses"]["allow"])
    banned = {entry["crate"] for entry in deny["bans"]["deny"]}
    registries = {f"registry+{url}" for url in deny["sources"]["allow-registry"]}
    explained = (ROOT / "docs/src/dependencies.md").read_text()
    data = metadata()
    members = set(data["workspace_members"])
    ours = {p["name"] for p in data["packages"] if p["id"] in members}
    rows, problems = the_map((ROOT / "DEVELOPERS.md").read_text())
    for missing in sorted(ours - set(rows)):
        problems.append(f"the map in DEVELOPERS.md has no row for {missing}")
    for gone in sorted(set(rows) - ours):
        problems.append(f"the map in DEVELOPERS.md has a row for {gone}, which is no crate")
    for package in data["packages"]:
        name = f"{package['name']} {package['version']}"
        if not licence_holds(package["license"] or "none", allowed):
            problems.append(f"{name}: licence {package['license']} is not in deny.toml")
        if package["name"] in banned:
            problems.append(f"{name}: banned in deny.toml")
        if package["id"] not in members and package["source"] not in registries:
            problems.append(f"{name}: comes from {package['source']}, not from crates.io")
        if package["id"] not in members:
            continue
        for dependency in package["dependencies"]:
            needs = dependency["name"]
            if needs not in ours and f"`{needs}`" not in explained:
                problems.append(f"{name}: {needs} has no line in docs/src/dependencies.md")
        if (ROOT / "crates") in pathlib.Path(package["manifest_path"]).parents:
            problems += unready(package, ours)
        if package["name"] in rows:
            problems += against_the_map(rows[package["name"]], package, ours)
    for problem in sorted(set(problems)):
        print(f"dependencies: {problem}", file=sys.stderr)
    others = len(data["packages"]) - len(members)
    print(f"dependencies: {others} crates checked against deny.toml, {len(set(problems))} problems")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
