"""Score checks against takes whose circuit is known: ``python -m tests.circuit.score FOLDER [NAME...]``.

Beside each NAME.flac lie NAME.bench.toml and NAME.truth.json: ``bench_new_keys`` go into the bench file's [build];
``circuit`` has value, tolerance and null_ok of each figure; ``causes`` what must stand among the first two.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

import listen
from listen.bench import Bench, GainSettings, OpampSettings, load_bench
from listen.report import check_document

MOST_SIGMAS = 4.0


def bench_of(folder: Path, name: str, new: dict[str, Any]) -> Bench:
    bench = load_bench(folder / f"{name}.bench.toml")
    keys = dict(new)
    parts = keys.pop("parts", {})
    changes: dict[str, Any] = {}
    if "tolerance_percent" in parts:
        percent = parts["tolerance_percent"]
        changes["tolerance_percent"] = tuple(percent) if isinstance(percent, list) else (percent, percent)
    changes["measured"] = parts.get("measured", False)
    changes["gain"] = GainSettings(**keys.pop("gain", {}))
    changes["opamp"] = OpampSettings(**keys.pop("opamp", {}))
    known = bench.build.__dataclass_fields__
    changes |= {key: value for key, value in keys.items() if key in known}
    return replace(bench, build=replace(bench.build, **changes))


def figure(circuit: dict[str, Any], key: str, truth: dict[str, Any]) -> dict[str, Any] | None:
    """The figure of a dotted key; of growths the one nearest to the truth."""
    first, _, rest = key.partition(".")
    if first == "growth":
        values = [g for g in circuit["growth"] if g.get(rest) is not None]
        if not values:
            return None
        best = min(values, key=lambda g: abs(g[rest] - truth["value"]))
        share = best["sigma_per_s"] / abs(best["rate_per_s"])
        return {"value": best[rest], "sigma": abs(best[rest]) * share, "bound": None}
    found: Any = circuit
    for part in key.split("."):
        found = found.get(part) if isinstance(found, dict) else None
    return found if isinstance(found, dict) else None if found is None else {"value": found, "sigma": None}


def judge_figure(circuit: dict[str, Any], key: str, truth: dict[str, Any]) -> str | None:
    """What is wrong with one figure."""
    if "along" in key and "percent" in truth:
        return judge_along(circuit, truth)
    found = figure(circuit, key, truth)
    if truth.get("value") is None:
        return None if found is None or found["value"] is None else f"{key} asserted: {found['value']:.4g}"
    if found is None or found["value"] is None:
        why = (found or {}).get("why")
        return None if truth.get("null_ok") else f"{key} missing ({why})"
    wanted = [*truth.get("any_of", ()), truth["value"]]
    off = min(abs(found["value"] - w) for w in wanted)
    if off > truth["tolerance"] and not found.get("bound"):
        return f"{key} {found['value']:.5g} for {truth['value']:.5g} +- {truth['tolerance']:.2g}"
    if found.get("bound"):
        # what lies on its own side is no error
        beyond = [found["value"] - w if found["bound"] == "at-least" else w - found["value"] for w in wanted]
        off = max(min(beyond), 0.0)
    if found.get("sigma") and off > MOST_SIGMAS * found["sigma"]:
        return (
            f"{key} {found['value']:.5g} +- {found['sigma']:.2g} for {truth['value']:.5g}: over {MOST_SIGMAS:g} sigmas"
        )
    return None


def judge_along(circuit: dict[str, Any], truth: dict[str, Any]) -> str | None:
    along = circuit["gang_mismatch"]["along"]
    if not along:
        return "gang_mismatch.along missing"
    order = np.argsort(truth["f0_hz"], kind="stable")
    f0, percent = np.array(truth["f0_hz"])[order], np.array(truth["percent"])[order]
    f0, first = np.unique(f0, return_index=True)
    off = [abs(p["percent"] - np.interp(p["f0_hz"], f0, percent[first])) for p in along]
    return f"gang_mismatch.along off by {max(off):.3g}" if max(off) > truth["tolerance"] else None


def judge_causes(circuit: dict[str, Any], truth: list[dict[str, Any]]) -> list[str]:
    wrong = []
    for item in truth:
        found = [c for c in circuit["causes"] if c["finding"] in item["finding"]]
        if not found:
            wrong.append(f"no causes for {item['finding']}")
            continue
        ranked = found[0]["ranked"]
        if not {c["id"] for c in ranked[:2]} & set(item["first_two"]):
            wrong.append(f"{found[0]['finding']}: first {[c['id'] for c in ranked[:2]]}")
        pairs = {frozenset(pair) for pair in found[0]["undecided"]}
        wrong += [f"pair {pair} not undecided" for pair in item["undecided"] if frozenset(pair) not in pairs]
        bad = [c["id"] for c in ranked if c["id"] in item["never"] and c["standing"] in ("shown", "likely")]
        wrong += [f"{name} is called likely" for name in bad]
    return wrong


def score(folder: Path, name: str) -> list[str]:
    """Return what is wrong with one take; nothing where it is wholly right."""
    truth = json.loads((folder / f"{name}.truth.json").read_text(encoding="utf-8"))
    bench = bench_of(folder, name, truth["bench_new_keys"])
    wrong: list[str] = []
    document = check_document(listen.check(folder / f"{name}.flac", bench=bench))
    circuit = document["circuit"]
    if circuit is None:
        return ["no circuit"]
    for key, item in truth["circuit"].items():
        found = judge_figure(circuit, key, item)
        wrong += [found] if found else []
    wrong += judge_causes(circuit, truth["causes"])
    for variant in truth.get("variants", ()):
        changed = replace(bench, build=replace(bench.build, gain_control=variant["gain_control"]))
        again = check_document(listen.check(folder / f"{name}.flac", bench=changed))["circuit"]
        expected = [{"finding": [variant["finding"]], "first_two": variant["first_two"], "undecided": [], "never": []}]
        wrong += [f"as {variant['gain_control']}: {text}" for text in judge_causes(again, expected)]
    return wrong


def main(words: list[str]) -> int:
    folder = Path(words[0])
    names = words[1:] or sorted(p.name.removesuffix(".truth.json") for p in folder.glob("*.truth.json"))
    right = 0
    for name in names:
        wrong = score(folder, name)
        right += not wrong
        sys.stdout.write(f"{name}: {'right' if not wrong else '; '.join(wrong)}\n")
    sys.stdout.write(f"{right} of {len(names)} wholly right\n")
    return 0 if right == len(names) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
