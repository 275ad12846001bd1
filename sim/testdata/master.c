/* An independent Modbus RTU master on Debian's libmodbus: it asks the slave at
 * the terminal argv[1] and prints what came, one answer a line. The test
 * compares the lines. */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>

static modbus_t *m;

static void words(const char *what, int unit, int input, int addr, int n) {
	uint16_t w[125];
	modbus_set_slave(m, unit);
	int r = input ? modbus_read_input_registers(m, addr, n, w) : modbus_read_registers(m, addr, n, w);
	printf("%s:", what);
	if (r < 0) {
		printf(" %s\n", modbus_strerror(errno));
		return;
	}
	for (int i = 0; i < r; i++)
		printf(" %04x", w[i]);
	printf("\n");
}

static void bits(const char *what, int unit, int input, int addr, int n) {
	uint8_t b[64];
	modbus_set_slave(m, unit);
	int r = input ? modbus_read_input_bits(m, addr, n, b) : modbus_read_bits(m, addr, n, b);
	printf("%s:", what);
	if (r < 0) {
		printf(" %s\n", modbus_strerror(errno));
		return;
	}
	for (int i = 0; i < r; i++)
		printf(" %d", b[i]);
	printf("\n");
}

static void done(const char *what, int r) {
	if (r < 0)
		printf("%s: %s\n", what, modbus_strerror(errno));
	else
		printf("%s: %d\n", what, r);
}

int main(int argc, char **argv) {
	if (argc != 2 || !(m = modbus_new_rtu(argv[1], 115200, 'N', 8, 1)) || modbus_connect(m) < 0) {
		fprintf(stderr, "can't open the line: %s\n", modbus_strerror(errno));
		return 2;
	}
	modbus_set_response_timeout(m, 10, 0); /* a loaded machine answers late */
	modbus_set_byte_timeout(m, 10, 0);
	words("orders", 1, 1, 0, 8);
	words("narrow", 1, 1, 8, 4);
	words("no such address", 1, 1, 100, 1);
	bits("discrete", 1, 1, 0, 1);
	bits("coils off", 2, 0, 0, 2);
	modbus_set_slave(m, 2);
	done("write coil", modbus_write_bit(m, 0, 1));
	bits("coils", 2, 0, 0, 2);
	uint8_t both[2] = {0, 1};
	modbus_set_slave(m, 2);
	done("write coils", modbus_write_bits(m, 0, 2, both));
	bits("coils", 2, 0, 0, 2);
	modbus_set_slave(m, 2);
	done("write coil 9", modbus_write_bit(m, 9, 1));
	done("write word", modbus_write_register(m, 5, 0xbeef));
	uint16_t two[2] = {0x0102, 0xfffe};
	done("write words", modbus_write_registers(m, 6, 2, two));
	words("words", 2, 0, 5, 3);
	done("switch word", modbus_write_register(m, 20, 1));
	words("switch word", 2, 0, 20, 1);
	done("switch word to 2", modbus_write_register(m, 20, 2));
	modbus_set_slave(m, 77);
	modbus_set_response_timeout(m, 0, 100000);
	done("absent unit", modbus_write_bit(m, 0, 1));
	modbus_close(m);
	modbus_free(m);
	return 0;
}
