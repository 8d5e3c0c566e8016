"""The business app."""

from django.apps import AppConfig


class ShopConfig(AppConfig):
    """People, jobs, stages, money, paper."""

    name = "shop"
