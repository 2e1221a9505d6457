"""The fleet page."""

from fastapi import APIRouter

router = APIRouter()
