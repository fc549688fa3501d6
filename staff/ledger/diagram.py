"""Prints a machine as a table and a diagram for DEVELOPERS.md."""

from staff.ledger.machine import Kind, Machine


def as_markdown(machine: Machine) -> str:
    """A machine as a Mermaid state diagram followed by its states and what they ask for."""
    lines = [f"### {machine.name}", "", "```mermaid", "stateDiagram-v2"]
    for step in machine.steps:
        source = step.source or "[*]"
        if step.source != step.target:
            lines.append(f"    {source} --> {step.target}: {step.event}")
    lines += [f"    {state} --> [*]" for state, kind in machine.states.items() if kind is Kind.CLOSED]
    lines += ["```", "", "| state | in words | asks for |", "|---|---|---|"]
    asks = {Kind.OPEN: "an owner and a next date", Kind.CLOSED: "a reason", Kind.RESTING: "nothing"}
    lines += [
        f"| `{state}` | {machine.label(state)} | {asks[kind]} |" for state, kind in machine.states.items()
    ]
    return "\n".join(lines) + "\n"
