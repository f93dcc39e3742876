"""What the pages share: template tags, middleware, context, form parts."""
