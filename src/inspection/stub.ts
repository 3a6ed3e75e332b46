// The mission file to begin with: what is known stands there ready to be read, what is guessed or open as a comment with `# ?`.
import type { LayerChoice } from '../mission/mission.js';
import type { FoundChain } from './chain-choice.js';
import type { FieldName, GuessedField } from './field-guess.js';
import type { FrameGuess } from './frame-guess.js';

const FIELD_ORDER: readonly FieldName[] = ['counter', 'file', 'segment', 'offset', 'segments', 'bytes', 'length'];
const NEEDED = { counter: 'goes up by one each frame', file: 'the file number', segment: 'or offset' } as const;

/** A mission-file stub in YAML for the first of `chains`; `undefined` where there is none. */
export function missionStub(chains: readonly FoundChain[]): string | undefined {
  const [best, ...others] = chains;
  if (!best) return undefined;
  const lines = ['mission: unnamed # ? its name', '# ? downlink: { rate: 1.9 Mbit/s, rotation: 94 s }', 'layers:'];
  lines.push(...best.layers.map((layer) => `  - ${layerText(layer)}`));
  for (const other of others) lines.push(...otherChain(other));
  if (best.frame) lines.push(...frameLines(best.frame), '# ? files: { descriptor: { file: 0 } }');
  else if (!best.cfdp) lines.push('# ? frame: what is inside the last layer could not be told');
  return `${lines.join('\n')}\n`;
}

function otherChain({ layers, frame, isWhole }: FoundChain): string[] {
  const inside = frame ? `, frames of ${frame.length} bytes` : isWhole ? '' : ', nothing proven inside';
  return [`# another chain${inside}:`, ...layers.map((layer) => `#  - ${layerText(layer)}`)];
}

/** `dvb-s2`, or `ts: { pid: 257, carry: mpe }`. */
function layerText({ name, options }: LayerChoice): string {
  const told = Object.entries(options).map(([key, value]) => `${key}: ${valueText(value)}`);
  return told.length === 0 ? name : `${name}: { ${told.join(', ')} }`;
}

/** What YAML would take for a number, or for something else, is quoted. */
const valueText = (value: unknown): string =>
  typeof value === 'string' && !/^[a-z]+$/.test(value) ? JSON.stringify(value) : String(value);

const fieldText = ({ field: { at, bits, endian } }: GuessedField): string =>
  `{ at: ${at}, bits: ${bits}${endian === 'little' ? ', endian: little' : ''} }`;

const COLUMNS = 80;

/** A line with a comment behind it, or before it where both do not fit in 80 columns. */
function withComment(line: string, comment: string): string[] {
  if (comment === '') return [line];
  if (line.length + comment.length + 3 <= COLUMNS) return [`${line} # ${comment}`];
  return [`${/^ */.exec(line)![0]}# ${comment}:`, line];
}

function frameLines({ marker, constant, length, crc, fields: { fields, payload } }: FrameGuess): string[] {
  const lines = ['frame:'];
  if (marker) {
    // A CRC that begins behind the marker proves where that ends.
    const isMore = crc.covers[0] < 2 && constant > marker.length / 2;
    const text = `  marker: ${/^\d+$/.test(marker) ? `"${marker}"` : marker}`;
    lines.push(...withComment(text, isMore ? `? the first ${constant} bytes are the same in all frames` : ''));
  }
  lines.push(`  length: ${length}`, '  fields:');
  for (const name of FIELD_ORDER) {
    const own = fields[name];
    if (own) lines.push(...withComment(`    ${own.certain ? '' : '# ? '}${name}: ${fieldText(own)}`, own.why));
  }
  for (const [name, what] of Object.entries(NEEDED)) {
    const isThere = fields[name as FieldName] || (name === 'segment' && fields.offset);
    if (!isThere) lines.push(`    # ? ${name}: { at: BYTE, bits: WIDTH } # not told: ${what}`);
  }
  const payloadText = `payload: { at: ${payload.at}, size: ${payload.size} }`;
  if (payload.certain) lines.push(`  ${payloadText}`);
  else lines.push(...withComment(`  # ? ${payloadText}`, 'behind the last field that was told'));
  const endian = crc.endian === 'little' ? ', endian: little' : '';
  lines.push(`  crc: { name: ${crc.name}, at: ${crc.at}, covers: [${crc.covers.join(', ')}]${endian} }`);
  return lines;
}
