"""Pure kinematics of the jaw: teeth, landmarks, frame, guidance, pose."""
