"""Where kinematics meets contact: closure and excursions."""
