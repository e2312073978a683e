"""A prediction as one HTML file that is complete in itself: styles and pictures inside, no script, nothing fetched."""

from __future__ import annotations

from markupsafe import Markup

from gateway.services.prediction import Forecast
from gateway.services.setting_sweep import SettingSweep
from gateway.web.desk import STATIC, make_templates
from gateway.web.prediction_view import prediction_view, sweep_view


def prediction_file(forecast: Forecast, swept: SettingSweep | None = None) -> str:
    """Return the text of the file."""
    style = "".join((STATIC / name).read_text(encoding="utf-8") for name in ("style.css", "predict.css"))
    view = prediction_view(forecast)
    template = make_templates().get_template("prediction_file.html")
    # The style sheets are the project's own files.
    return template.render(view=view, swept=None if swept is None else sweep_view(swept), style=Markup(style))
