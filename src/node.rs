//! The graph side: the only user of the middleware.
