import { describe, expect, it } from 'vitest';
import { BAD, decode, Q } from './frame';

/** The same bytes as the golden frame of the server's package stream, written
 *  by hand from the layout. */
const GOLDEN =
  '01' + '01' + '0100' + '07000000' + '0000000000000040' + '9a9999999999a93f' +
  '0300' + '0200' + '00000000' + '000000000000f83f' + '000000000000f03f' +
  '00000000' + '0000803f' + '00000040' + '0000803f' + '4000' + '0000' +
  '02000000' + '0000c07f' + '0000c07f' + '0000c07f' + '8100' + '8100';

const bytes = (hex: string) => Uint8Array.from(hex.match(/../g)!, h => parseInt(h, 16));

function changed(at: number, to: number): ArrayBuffer {
  const b = bytes(GOLDEN);
  b[at] = to;
  return b.buffer;
}

describe('decode', () => {
  it('reads the golden frame', () => {
    const f = decode(bytes(GOLDEN).buffer);
    expect(f).toMatchObject({ kind: 1, seq: 7, now: 2, width: 0.05 });
    expect(f.blocks).toHaveLength(1);
    expect(f.blocks[0]).toMatchObject({ channel: 3, newest: 1.5 });
    expect(f.blocks[0]!.bins[0]).toEqual({ index: 20, min: 1, max: 2, last: 1, worst: Q.spike, lastQ: 0 });
    expect(f.blocks[0]!.bins[1]).toEqual({ index: 22, min: NaN, max: NaN, last: NaN, worst: Q.missing | Q.gap, lastQ: Q.missing | Q.gap });
  });

  it.each([
    ['an empty message', new ArrayBuffer(0), 'header'],
    ['another kind', changed(0, 9), 'kind 9'],
    ['another version', changed(1, 2), 'version 2'],
    ['no bin width', changed(23, 0xbf), 'width'],
    ['more blocks than there are', changed(2, 2), 'cut short'],
    ['more bins than there are', changed(26, 200), 'promises 200'],
    ['fewer bins than there are', changed(26, 1), 'too many'],
  ])('refuses %s', (_name, buf, says) => {
    expect(() => decode(buf)).toThrow(says);
  });

  it('knows which flags make a value no measurement', () => {
    expect(BAD & Q.saturated).toBe(0);
    expect(BAD & Q.gap).toBe(0);
    expect(BAD & Q.open).not.toBe(0);
  });
});
