//! Recordings kept beside the database, named by their content.
