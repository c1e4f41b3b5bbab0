"""Simulated plants: process physics, panel logic, faults and a Modbus register server."""
