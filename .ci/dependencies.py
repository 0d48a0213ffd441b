#!/usr/bin/env python3
"""Checks what the workspace depends on against deny.toml: licences, bans, sources.

The same lists as `cargo deny check licenses bans sources`, for machines without cargo-deny. Also
checks what cargo-deny cannot know: which of our crates may depend on which (DEVELOPERS.md), that
no protocol or device crate depends on a clock or on I/O, and that every dependency has its line in
docs/src/dependencies.md.
"""

import json
import pathlib
import re
import subprocess
import sys
import tomllib

ROOT = pathlib.Path(__file__).resolve().parent.parent

# Our crates, lowest first: each may depend on those named only.
LAYERS = {
    "payrig-units": set(),
    "payrig-mdb": {"payrig-units"},
    "payrig-pulse": {"payrig-units"},
    "payrig-wire": {"payrig-units", "payrig-mdb", "payrig-pulse"},
    "payrig-peripherals": {"payrig-units", "payrig-mdb", "payrig-pulse", "payrig-wire"},
    "payrig-controller": {"payrig-units", "payrig-mdb", "payrig-pulse", "payrig-wire"},
    "payrig-float": {"payrig-units", "payrig-controller"},
    "payrig-bridge": {
        "payrig-units",
        "payrig-mdb",
        "payrig-pulse",
        "payrig-wire",
        "payrig-peripherals",
        "payrig-controller",
    },
    "payrig-bench": {
        "payrig-units",
        "payrig-mdb",
        "payrig-pulse",
        "payrig-wire",
        "payrig-peripherals",
        "payrig-controller",
        "payrig-bridge",
    },
    "payrig-link": {"payrig-units", "payrig-mdb", "payrig-wire", "payrig-bench"},
    "payrig-rig": {
        "payrig-units",
        "payrig-mdb",
        "payrig-pulse",
        "payrig-wire",
        "payrig-peripherals",
        "payrig-controller",
        "payrig-bridge",
        "payrig-bench",
    },
    "payrig-exam": {
        "payrig-units",
        "payrig-mdb",
        "payrig-pulse",
        "payrig-wire",
        "payrig-peripherals",
        "payrig-controller",
        "payrig-bridge",
        "payrig-bench",
        "payrig-rig",
        "payrig-link",
    },
    "payrig-report": {"payrig-units", "payrig-pulse", "payrig-wire", "payrig-exam"},
    "payrig-tickets": {"payrig-units", "payrig-exam", "payrig-report"},
}
# Crates whose logic takes time as a value and does no I/O.
SANS_IO = {
    "payrig-units",
    "payrig-mdb",
    "payrig-pulse",
    "payrig-wire",
    "payrig-peripherals",
    "payrig-controller",
    "payrig-bridge",
    "payrig-float",
    "payrig-bench",
    "payrig-report",
}
# Crates that know no file format.
NO_FORMAT = {"payrig-bench"}
FORMAT_CRATES = {"toml", "strsim", "csv", "vcd"}
IO_CRATES = {"tokio", "serialport", "mio", "async-std", "nix", "rustix"}


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


def main():
    deny = tomllib.loads((ROOT / "deny.toml").read_text())
    allowed = set(deny["licenses"]["allow"])
    banned = {entry["crate"] for entry in deny["bans"]["deny"]}
    registries = {f"registry+{url}" for url in deny["sources"]["allow-registry"]}
    explained = (ROOT / "docs/src/dependencies.md").read_text()
    data = metadata()
    members = set(data["workspace_members"])
    ours = {p["name"] for p in data["packages"] if p["id"] in members}
    problems = []
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
            if dependency["kind"] == "dev":
                continue
            layer = LAYERS.get(package["name"])
            if layer is not None and needs in ours and needs not in layer:
                problems.append(f"{name} depends on {needs}: against the map in DEVELOPERS.md")
            if package["name"] in SANS_IO and needs in IO_CRATES:
                problems.append(f"{name} depends on {needs}: it is to do no I/O")
            if package["name"] in NO_FORMAT and needs in FORMAT_CRATES:
                problems.append(f"{name} depends on {needs}: it is to know no file format")
    for problem in sorted(set(problems)):
        print(f"dependencies: {problem}", file=sys.stderr)
    others = len(data["packages"]) - len(members)
    print(f"dependencies: {others} crates checked against deny.toml, {len(set(problems))} problems")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
