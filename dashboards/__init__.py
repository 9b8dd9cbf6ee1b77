"""Pages and API over the store. They read and show, and take what people do about alerts; they compute nothing."""
