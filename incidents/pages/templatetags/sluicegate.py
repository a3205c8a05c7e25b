"""Template words of the house."""

from django import template

register = template.Library()
