"""Pages and API over the store. They read and show; they compute nothing."""
