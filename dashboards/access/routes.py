"""All routes of signing in and accounts; each declares for itself what it needs."""

from dashboards.access import account_pages, admin_pages, provider_pages, sign_in_pages

routers = (sign_in_pages.router, provider_pages.router, account_pages.router, admin_pages.router)
