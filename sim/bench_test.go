package sim

import (
	"ventward/daq"
	"ventward/daq/calib"
	"ventward/daq/wire"
)

// testBench is a small bench of all three protocols: fast (10 kHz frames), room
// (1 kHz lines), relay (Modbus with supply valve and heartbeat).
func testBench() Bench {
	linear := func(scale float64) calib.Curve {
		return calib.Curve{Kind: "linear", ScaleGain: 1, Gain: scale, UOffset: 1500, UGain: 5e-4}
	}
	return Bench{
		Name: "test",
		Instruments: []Instrument{
			{Instrument: daq.Instrument{Name: "fast", Protocol: "frame", Columns: 3, RateHz: 10000, TickHz: 1e6}, Frame: &wire.FrameOptions{Columns: 3}},
			{Instrument: daq.Instrument{Name: "room", Protocol: "line", Columns: 2, RateHz: 1000, TickHz: 1000}, Line: &wire.LineOptions{
				Delimiter: ",", Fields: 4, SeqField: 0, TickField: 1, Checksum: "crc16",
				Columns: []wire.LineColumn{{Field: 2, Decimals: 1}, {Field: 3, Decimals: 3}},
			}},
			{Instrument: daq.Instrument{Name: "relay", Protocol: "modbus", Columns: 2, RateHz: 10, Polled: true}, Modbus: &wire.ModbusOptions{
				PollS: 0.1, TimeoutS: 0.2, QuarantineS: 0.1, Baud: 115200, VerifyS: 1,
				Registers: []wire.Register{
					{Unit: 1, Function: 4, Address: 0, Type: "f32", Order: "ABCD"},
					{Unit: 1, Function: 4, Address: 2, Type: "f32", Order: "CDAB"},
				},
				Coils: []wire.Coil{{Unit: 2, Address: 0, Output: 0}, {Unit: 2, Address: 1, Output: 1, Heartbeat: true}},
			}},
		},
		Channels: []daq.Channel{
			{Name: "p1", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge, Instrument: 0, Column: 0, Curve: linear(1), High: 6e6, LagS: 5e-4, LagUS: 2e-5},
			{Name: "p2", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge, Instrument: 0, Column: 1, Curve: linear(1), High: 6e6, LagS: 1e-3, LagUS: 5e-5},
			{Name: "p_supply", Role: daq.RoleSupply, Quantity: daq.Pressure, Reference: daq.Gauge, Instrument: 0, Column: 2, Curve: linear(2), High: 1e7},
			{Name: "p_ambient", Role: daq.RoleBarometer, Quantity: daq.Pressure, Reference: daq.Absolute, Instrument: 1, Column: 0, Curve: linear(0.1), High: 1.2e5},
			{Name: "force", Quantity: daq.Force, Instrument: 1, Column: 1, Curve: linear(1e-3)},
			{Name: "t_gas", Role: daq.RoleGas, Quantity: daq.Temperature, Instrument: 2, Column: 0, Floats: true, LagS: 0.3},
			{Name: "t_ambient", Role: daq.RoleRoom, Quantity: daq.Temperature, Instrument: 2, Column: 1, Floats: true, LagS: 2},
		},
		Outputs: []daq.Output{
			{Name: "supply", Instrument: 2, Address: 0, Role: daq.RoleSupplyValve},
			{Name: "heartbeat", Instrument: 2, Address: 1, Heartbeat: true},
		},
	}
}
