// Descriptors as a spacecraft may send them (RFC 4180 for CSV, RFC 8259 for JSON), whole, with holes, and hostile.
import { describe, expect, test } from 'vitest';
import { joinFacts, readDescriptor } from '../../src/files/facts.js';

const read = (text: string, format: 'csv' | 'json' = 'csv') => {
  const content = Buffer.from(text);
  return readDescriptor(content, [0, content.length], format);
};
/** Reads with `hole` (a part of the text) not received, zero-filled. */
const readWithHole = (text: string, hole: string) => {
  const content = Buffer.from(text);
  const at = content.indexOf(hole);
  content.fill(0, at, at + hole.length);
  return readDescriptor(content, [0, at, at + hole.length, content.length], 'csv');
};

const limb = { file: 7, name: 'limb.jpg', bytes: 1048, checksum: { algorithm: 'crc32', value: '1a2b3c4d' } };
const veil = { file: 8, name: 'veil.png', bytes: 99, checksum: { algorithm: 'crc32', value: '00000001' } };

describe('a CSV descriptor', () => {
  test('is read by its header, whatever the order of the columns', () => {
    expect(read('file,name,bytes,crc32\n7,limb.jpg,1048,1a2b3c4d\n8,veil.png,99,00000001\n')).toEqual([limb, veil]);
    expect(read('CRC32, bytes ,exposure,file,name\n1A2B3C4D,1048,0.5,7,limb.jpg\n')).toEqual([limb]);
  });

  test('may have CR LF line ends, a byte order mark, and no line end at its end', () => {
    expect(read('\ufefffile,name,bytes,crc32\r\n7,limb.jpg,1048,1a2b3c4d\r\n8,veil.png,99,00000001')).toEqual([
      limb,
      veil,
    ]);
  });

  test('may quote its cells, with commas and doubled quotes in them', () => {
    const text = 'file,name,bytes\n7,"limb, ""north"".jpg",1048\n"8","",99\n';
    expect(read(text)).toEqual([
      { file: 7, name: 'limb, "north".jpg', bytes: 1048 },
      { file: 8, bytes: 99 },
    ]);
  });

  test('without a header line has the usual columns', () => {
    expect(read('7,limb.jpg,1048,1a2b3c4d\n8,veil.png,99,00000001\n')).toEqual([limb, veil]);
  });

  test('gives only the lines that arrived whole', () => {
    const text = 'file,name,bytes,crc32\n7,limb.jpg,1048,1a2b3c4d\n8,veil.png,99,00000001\n9,sail.mp4,5,00000002\n';
    const sail = { file: 9, name: 'sail.mp4', bytes: 5, checksum: { algorithm: 'crc32', value: '00000002' } };
    expect(readWithHole(text, 'veil')).toEqual([limb, sail]);
    expect(readWithHole(text, '1a2b3c4d\n8,ve')).toEqual([sail]);
    // A line whose line feed is lost may go on with what is lost.
    expect(readWithHole(text, '\n9')).toEqual([limb]);
    // What follows a lost line feed may be the end of another line.
    expect(readWithHole(text, '4d\n')).toEqual([sail]);
    expect(readWithHole(text, 'file,name')).toEqual([limb, veil, sail]);
  });

  test('knows the checksums by their lengths and digits', () => {
    const md5 = 'd41d8cd98f00b204e9800998ecf8427e';
    expect(read(`file,md5\n1,${md5}\n2,d41d\n3,${md5.replace('d', 'x')}\n`)).toEqual([
      { file: 1, checksum: { algorithm: 'md5', value: md5 } },
      { file: 2 },
      { file: 3 },
    ]);
  });

  test.each([
    ['a negative number', '-7,x,1,00000001'],
    ['a fraction', '7.5,x,1,00000001'],
    ['a number beyond 2^53', '99999999999999999999,x,1,00000001'],
    ['NaN', 'NaN,x,1,00000001'],
    ['hexadecimal', '0x10,x,1,00000001'],
    ['nothing', ',x,1,00000001'],
    ['a name of several lines', '7,"two\nlines",1,00000001'],
    ['an unclosed quote', '7,"x,1,00000001'],
  ])('passes over a line with %s', (_, line) => {
    expect(read(`file,name,bytes,crc32\n${line}\n8,veil.png,99,00000001\n`)).toEqual([veil]);
  });

  test('keeps a file whose size makes no sense, without the size', () => {
    expect(read('file,name,bytes\n7,limb.jpg,-1\n8,veil.png,1e99\n')).toEqual([
      { file: 7, name: 'limb.jpg' },
      { file: 8, name: 'veil.png' },
    ]);
  });

  test('cannot reach what objects inherit', () => {
    const facts = read('__proto__,file,constructor,name\n9,7,8,__proto__\n');
    expect(facts).toEqual([{ file: 7, name: '__proto__' }]);
    expect(Object.prototype).not.toHaveProperty('file');
  });

  test('of ten thousand lines and a thousand holes is read at once', () => {
    const text = Array.from({ length: 10_000 }, (_, i) => `${i},name-${i},${i},0000000a\n`).join('');
    const content = Buffer.from(text);
    const received = Array.from({ length: 1000 }, (_, i) => [i * 200, i * 200 + 150]).flat();
    const whole = received.filter((_, i) => i % 2 === 0).map((start) => text.slice(start, start + 150));
    const expected = whole.flatMap((part, i) =>
      part
        .slice(i === 0 ? 0 : part.indexOf('\n') + 1, part.lastIndexOf('\n') + 1)
        .split('\n')
        .slice(0, -1),
    );
    const facts = readDescriptor(content, received, 'csv');
    expect(facts.map(({ file }) => file)).toEqual(expected.map((line) => Number(line.split(',')[0])));
  });
});

describe('a JSON descriptor', () => {
  test('is a list of objects; what else is in it is passed over', () => {
    const text = JSON.stringify([
      { file: 7, name: 'limb.jpg', bytes: 1048, crc32: '1A2B3C4D' },
      5,
      null,
      'x',
      [],
      { name: 'x' },
      { file: '8' },
    ]);
    expect(read(text, 'json')).toEqual([limb, { file: 8 }]);
  });

  test('is used only when it is whole', () => {
    const content = Buffer.from('[{"file": 7}]  ');
    expect(readDescriptor(content, [0, content.length], 'json')).toEqual([{ file: 7 }]);
    expect(readDescriptor(content, [0, content.length - 1], 'json')).toEqual([]);
  });

  test.each(['', '{', '{"file": 7}', 'null', '[{"file": -1}]', '[{"file": 1e99}]', '[{"__proto__": {"file": 1}}]'])(
    'that is %j tells nothing',
    (text) => {
      expect(read(text, 'json')).toEqual([]);
    },
  );
});

describe('facts of one file', () => {
  test('complete each other where they do not contradict', () => {
    const name = { file: 7, name: 'from the ground.jpg' };
    expect(joinFacts([name, limb as never])).toEqual([{ ...limb, name: 'from the ground.jpg' }]);
  });

  test('of other size or checksum stay apart, in the order they came', () => {
    const [a, b, c] = [
      { file: 7, bytes: 10 },
      { file: 7, bytes: 20, checksum: { algorithm: 'md5', value: 'aa' } as const },
      { file: 7, bytes: 20, checksum: { algorithm: 'md5', value: 'bb' } as const },
    ];
    expect(joinFacts([a, b, c, a, b])).toEqual([a, b, c]);
  });
});
