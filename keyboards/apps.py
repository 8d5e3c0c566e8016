"""The trade app."""

from django.apps import AppConfig


class KeyboardsConfig(AppConfig):
    """Keys, readings, advice, specs, proof."""

    name = "keyboards"

    def ready(self):
        from keyboards import seams

        seams.register()
