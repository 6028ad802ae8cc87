"""What each extra of the package brings; whoever lacks one is told in one line which."""

from __future__ import annotations

EXTRAS = {
    "report": ("IPython", "PIL", "bs4", "formulae", "ipykernel", "jinja2", "jupyter_client", "jupyter_core",
               "latex2mathml", "matplotlib", "nbclient", "nbconvert", "nbformat", "papermill", "seaborn",
               "statsmodels", "traitlets"),
    "lab": ("anywidget", "jupyterlab"),
    "sheets": ("segno", "typst"),
    "many": ("distributed",),
    "stamps": ("cryptography", "rfc3161_client"),
}
"""Extra to the modules that it brings (``pyproject.toml`` has the distributions)."""


def lacking(error: ModuleNotFoundError) -> str:
    """One line that names the extra to install, or '' where the missing module belongs to none."""
    module = (error.name or "").partition(".")[0]
    extra = next((e for e, modules in EXTRAS.items() if module in modules), "")
    if not extra:
        return ""
    return (f"this needs the package {module}, which is not installed: pip install 'studykit[{extra}]'"
            + ("" if extra == "many" else " (everything: studykit[all])"))
