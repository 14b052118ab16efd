"""Guide lines for the direction of the demo head's skin -> demo_data/guides.obj, in centimetres.

They are the relaxed skin tension lines that the package carries to any head: the demo's is the head they are written
down for.
"""

from __future__ import annotations

from pathlib import Path

from poredepth.surface.tension_lines import lines_cm


def main() -> None:
    lines, n_points = ["# direction of the skin: guide lines in centimetres"], 0
    for name, points in lines_cm().items():
        lines.append(f"o {name}")
        lines += [f"v {x:.2f} {y:.2f} {z:.2f}" for x, y, z in points]
        lines.append("l " + " ".join(str(n_points + 1 + i) for i in range(len(points))))
        n_points += len(points)
    target = Path(__file__).resolve().parents[1] / "guides.obj"
    target.write_text("\n".join(lines) + "\n", encoding="ascii", newline="\n")


if __name__ == "__main__":
    main()
