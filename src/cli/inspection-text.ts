// What inspect found, in words for a terminal of 80 columns. All text that may come from the downlink or a stranger goes through
// plainText.
import type { InspectedChain, Inspection } from '../inspect.js';
import { type ErrorRate, errorRate } from '../inspection/error-rate.js';
import type { Found } from '../inspection/finding.js';
import type { LayerCounts } from '../layers/layer.js';
import { plainText } from '../report/plain-text.js';
import { count } from '../report/quantity.js';

const COLUMNS = 80;
const LABEL = 15;
/** Rows of one list, at most; what is left out is said. */
const MOST = 16;

/** One recording, in lines of at most 80 columns. */
export function inspectionText(found: Inspection): string {
  const lines = [
    plainText(found.name, COLUMNS - 2),
    ...row('station', plainText(found.station, COLUMNS - LABEL - 2)),
    ...row('container', `${found.container}, ${count(found.bytes)} bytes inside`),
  ];
  if (found.startedAt !== undefined) {
    lines.push(...row('started', `${new Date(found.startedAt).toISOString()} by the station's clock`));
  }
  if (found.containerCounts) lines.push(...countRows('capture', found.containerCounts));
  if (found.chain) lines.push(...chainRows(found.chain));
  for (const { layer, counts, errors } of found.layers) {
    lines.push(...countRows(layer, counts));
    if (errors) lines.push(...row('', `${rateText(errors)} ${errors.what}`));
  }
  if (found.chain) lines.push(...transactionRows(found.chain));
  lines.push(...frameRows(found));
  if (found.chain) lines.push(...endRows(found.chain));
  return `${lines.join('\n')}\n`;
}

function chainRows({ found, excerpt }: InspectedChain): string[] {
  const lines = row('looked at', `${count(excerpt.bytes)} bytes from byte ${count(excerpt.at)} on`);
  if (found.length === 0) return [...lines, ...row('chain', 'no layer is proven')];
  lines.push(...row('chain', 'from the recording inwards, with the numbers of the bytes looked at:'));
  const add = (nodes: readonly Found[], depth: number): void => {
    for (const { layer, options, proof, counts, inner } of nodes) {
      const indent = ' '.repeat(4 + 2 * depth);
      const told = Object.entries(options).map(([key, value]) => `${key} ${String(value)}`);
      const errors = errorRate(layer, counts, options);
      const name = told.length > 0 ? `${layer} (${told.join(', ')})` : layer;
      const text = `${name}: ${proof}${errors ? `; ${rateText(errors)} ${errors.what}` : ''}`;
      lines.push(...wrapped(text, `${indent}    `).map((line, i) => (i === 0 ? indent + line.trimStart() : line)));
      add(inner, depth + 1);
    }
  };
  add(found, 0);
  lines.push('  and over the whole recording, the chain that carries most:');
  return lines;
}

const rateText = ({ bad, of }: ErrorRate): string => `${((bad / of) * 100).toFixed(2)} % of ${count(of)}`;

function transactionRows({ transactions }: InspectedChain): string[] {
  const lines = transactions.slice(0, MOST).flatMap(({ source, sequence, name, bytes, received }, i) => {
    const size = bytes === undefined ? 'size unknown' : `${count(bytes)} bytes`;
    const label = `source ${source}, number ${sequence}: ${size}, ${count(received)} heard with repeats; `;
    const text = label + plainText(name ?? 'name unknown', Math.max(8, COLUMNS - LABEL - 2 - label.length));
    return row(i === 0 ? 'transactions' : '', text);
  });
  if (transactions.length > MOST) lines.push(...row('', `and ${transactions.length - MOST} more`));
  return lines;
}

function frameRows({ frames }: Inspection): string[] {
  if (!frames) return [];
  const { intact, damaged, stretches, files, example } = frames;
  const all = intact + damaged;
  const lines = row('CRC', `${(all === 0 ? 0 : (damaged / all) * 100).toFixed(2)} % of ${count(all)} frames fail`);
  for (const { first, last, frames: heard } of stretches.slice(0, 8)) {
    lines.push(...row('counters', `${first} to ${last}: ${heard} of ${last - first + 1} received`));
  }
  if (stretches.length > 8) lines.push(...row('', `and ${stretches.length - 8} more stretches`));
  lines.push(
    ...row(
      'files',
      Object.entries(files)
        .map(([file, times]) => `${plainText(file, 40)} (${times})`)
        .join(', '),
    ),
  );
  if (example)
    lines.push(
      ...row(
        'first frame',
        Object.entries(example)
          .map(([name, value]) => `${name} ${value}`)
          .join(', '),
      ),
    );
  return lines;
}

function endRows({ unknown, stub }: InspectedChain): string[] {
  const open = unknown.length > 0 ? unknown : ['nothing of what was looked at is left open'];
  const lines = open.flatMap((sentence, i) => row(i === 0 ? 'could not tell' : '', `- ${plainText(sentence, 2000)}`));
  if (stub === undefined) return lines;
  return [
    ...lines,
    '',
    '  A mission file to begin with (what stands behind # ? is a guess, or open):',
    '',
    ...stub.trimEnd().split('\n'),
  ];
}

const COUNT_WORDS: Readonly<Record<string, string>> = {
  frames: 'frames',
  headersDamaged: 'baseband frames with a damaged header, kept by their place',
  cut: 'cut short',
  otherStreams: 'baseband frames of other streams',
  garbageBytes: 'bytes that are no frame',
  intact: 'frames intact',
  damaged: 'damaged',
  skippedBytes: 'bytes between units',
  pieces: 'data fields joined',
  gaps: 'places where bytes were lost',
  lost: 'lost by the counter',
  unproven: 'not proven by their check',
  packetsLost: 'packets lost by the continuity counter',
  continuityJumps: 'jumps of the continuity counter',
  fecfWrong: 'frames with a wrong FECF',
  crc32Wrong: 'wrong CRC-32s',
  paddingBytes: 'bytes of padding',
  idlePackets: 'idle packets',
  udpChecksumsWrong: 'wrong UDP checksums',
};

/** Counts that are not zero; `frames` and `intact` in any case. */
function countRows(label: string, counts: LayerCounts): string[] {
  const told = Object.entries(counts).filter(([name, times]) => times > 0 || name === 'frames' || name === 'intact');
  if (told.length === 0) return row(label, '-');
  const shown = told
    .slice(0, MOST)
    .flatMap(([name, times], i) =>
      row(
        i === 0 ? label : '',
        `${count(times).padStart(11)}  ${plainText(COUNT_WORDS[name] ?? spelled(name), COLUMNS - LABEL - 15)}`,
      ),
    );
  if (told.length > MOST) shown.push(...row('', `and ${told.length - MOST} more counts (--json tells them)`));
  return shown;
}

/** `misfits`, `labelsMissing` → `labels missing`; names with blanks are words already. */
const spelled = (name: string): string =>
  name.includes(' ') ? name : name.replace(/(?<=[a-z])[A-Z]/g, (letter) => ` ${letter.toLowerCase()}`);

/** A label and its text, over as many lines of 80 columns as it takes. */
function row(label: string, text: string): string[] {
  const lines = wrapped(text, ' '.repeat(LABEL + 2));
  return [`  ${label.padEnd(LABEL)}${lines[0]!.slice(LABEL + 2)}`.trimEnd(), ...lines.slice(1)];
}

/** Breaks at blanks; blanks before the first word stay, as they align numbers. */
function wrapped(text: string, indent: string): string[] {
  const [, lead, rest] = /^( *)(.*)$/s.exec(text)!;
  const lines: string[] = [];
  let line = indent + lead;
  for (const word of rest!.split(' ')) {
    const isFirst = line.trim() === '';
    if (!isFirst && line.length + 1 + word.length > COLUMNS) {
      lines.push(line);
      line = indent + word;
    } else line += isFirst ? word : ` ${word}`;
  }
  return [...lines, line];
}
