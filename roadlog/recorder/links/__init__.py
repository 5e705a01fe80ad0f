"""A place where pyserial looks for the recorder's way of opening a port (`protocol_patient`)."""
