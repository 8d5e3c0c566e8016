"""The business app."""

from django.apps import AppConfig


class ShopConfig(AppConfig):
    """People, jobs, stages, money, paper."""

    name = "shop"

    def ready(self):
        from shop import checks  # noqa: F401  (registers the system checks)
