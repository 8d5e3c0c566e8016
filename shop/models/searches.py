"""What a person searched for: the last few, and those kept under a name."""

from django.db import models
from django.utils.translation import gettext_lazy as _

LONGEST = 100


class SearchQuerySet(models.QuerySet):
    def kept(self):
        return self.exclude(title="").order_by("title")

    def recent(self):
        return self.filter(title="").order_by("-at")


class Search(models.Model):
    """One text that a person searched the records for. title is empty until they keep it under a name."""

    person = models.ForeignKey("shop.Person", on_delete=models.CASCADE, related_name="searches")
    text = models.CharField(_("search"), max_length=LONGEST)
    title = models.CharField(_("name"), max_length=60, blank=True)
    at = models.DateTimeField()

    objects = SearchQuerySet.as_manager()

    class Meta:
        ordering = ["-at"]
        constraints = [models.UniqueConstraint(fields=["person", "text"], name="search_once_a_person")]

    def __str__(self):
        return self.title or self.text
