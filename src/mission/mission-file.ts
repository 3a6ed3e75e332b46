// Reads a mission file: YAML 1.2 (JSON is a part of it) into the typed mission, every mistake with its line and column.
import { readFile, stat } from 'node:fs/promises';
import { type Document, isMap, isNode, isScalar, isSeq, LineCounter, parseDocument, visit } from 'yaml';
import { MissionFileError, UsageError } from '../errors.js';
import { crossChecks, type Problem } from './cross-checks.js';
import { expectation } from './expectation.js';
import type { Mission } from './mission.js';
import { missionSchema, TEXT_KEYS } from './schema.js';

export type MissionFileOptions = {
  /** The layers there are. When given, any other name is a mistake. */
  readonly layerNames?: readonly string[];
};

/** Larger files are something else, most likely a recording given in the wrong place. */
const MAX_FILE_BYTES = 1 << 20;

/** A mistake and the offset in the text where it shows. */
type Located = { readonly offset: number; readonly message: string };

/** `files.catalogue[0].crc32`, as people write it. */
const pathText = (path: readonly PropertyKey[]): string =>
  path.map((key, n) => (typeof key === 'number' ? `[${key}]` : `${n === 0 ? '' : '.'}${String(key)}`)).join('');

const startOf = (node: unknown): number => (isNode(node) && node.range ? node.range[0] : 0);

/** Where the value at `path` stands; for one that is not there, the key of the nearest block around it that is. */
const offsetOf = (document: Document, path: readonly PropertyKey[], wantKey: boolean): number => {
  let key: unknown = null;
  let node: unknown = document.contents;
  for (const step of path) {
    if (isMap(node)) {
      const pair = node.items.find((item) => isScalar(item.key) && String(item.key.value) === String(step));
      if (!pair) return startOf(key ?? node);
      key = pair.key;
      node = pair.value;
    } else if (isSeq(node) && isNode(node.items[Number(step)])) {
      key = null;
      node = node.items[Number(step)];
    } else return startOf(key ?? node);
  }
  // `key:` with nothing after it has a value of no length that may lie anywhere up to the next line.
  const empty = isScalar(node) && node.value === null && node.source === '';
  return startOf(key !== null && (wantKey || empty || !isNode(node)) ? key : node);
};

const YAML_MESSAGES: Readonly<Record<string, string>> = {
  DUPLICATE_KEY: 'this key stands here a second time; keep one',
  MULTIPLE_DOCS: 'a second document begins here; expected one mission in a file',
};

const yamlProblems = (document: Document): Located[] => {
  const problems = [...document.errors, ...document.warnings].map(({ code, message, pos }) => ({
    offset: pos[0],
    message: YAML_MESSAGES[code] ?? `not readable as YAML: ${message}`,
  }));
  visit(document, {
    Alias: (_, alias) => {
      problems.push({
        offset: startOf(alias),
        message: `*${alias.source}: write the value out; aliases are not used here`,
      });
    },
  });
  return problems;
};

/** Gives the values under `TEXT_KEYS` as they are written: 1e345678 is eight digits there, not a number. */
const keepText = (document: Document): void => {
  visit(document, {
    Pair: (_, { key, value }) => {
      if (!isScalar(key)) return undefined;
      if (key.value === 'layers') return visit.SKIP; // the layers check their own options
      if (TEXT_KEYS.has(String(key.value)) && isScalar(value) && typeof value.value === 'number' && value.source) {
        value.value = value.source;
      }
      return undefined;
    },
  });
};

const layerProblems = (mission: Mission, names: readonly string[]): Problem[] =>
  mission.layers.flatMap(({ name }, n) =>
    names.includes(name)
      ? []
      : [{ path: ['layers', n], message: expectation(`one of ${names.join(', ')}`, name, names) }],
  );

/**
 * Reads the text of a mission file.
 *
 * @param file its name, for messages
 * @throws MissionFileError with every mistake found, in the order of the file
 */
export function parseMission(text: string, file: string, options: MissionFileOptions = {}): Mission {
  const lineCounter = new LineCounter();
  const document: Document = parseDocument(text.replace(/^\uFEFF/, ''), { lineCounter, prettyErrors: false });
  const fail = (problems: Located[]): never => {
    const sorted = problems.toSorted((a, b) => a.offset - b.offset);
    throw new MissionFileError(
      file,
      sorted.map(({ offset, message }) => {
        const { line, col } = lineCounter.linePos(offset);
        return { line: Math.max(line, 1), column: Math.max(col, 1), message };
      }),
    );
  };
  const locate = ({ path, message }: Problem, wantKey = false): Located => ({
    offset: offsetOf(document, path, wantKey),
    message: path.length === 0 ? message : `${pathText(path)}: ${message}`,
  });

  const unreadable = yamlProblems(document);
  if (unreadable.length > 0) fail(unreadable);
  keepText(document);
  const result = missionSchema.safeParse(document.toJS());
  if (!result.success) {
    return fail(
      result.error.issues.flatMap((issue) =>
        issue.code === 'unrecognized_keys'
          ? issue.keys.map((key) => locate({ path: [...issue.path, key], message: issue.message }, true))
          : [locate(issue)],
      ),
    );
  }
  const mission = result.data;
  const problems = [...crossChecks(mission), ...(options.layerNames ? layerProblems(mission, options.layerNames) : [])];
  if (problems.length > 0) fail(problems.map((problem) => locate(problem)));
  return mission;
}

/**
 * Reads a mission file.
 *
 * @throws UsageError when there is no such file, it cannot be read or is far too large
 * @throws MissionFileError with every mistake found in it
 */
export async function readMissionFile(path: string, options: MissionFileOptions = {}): Promise<Mission> {
  let text: string;
  try {
    const { size } = await stat(path);
    if (size > MAX_FILE_BYTES) {
      throw new UsageError(
        `${path}: expected a mission file of at most ${MAX_FILE_BYTES} bytes, found ${size}; is it a recording?`,
      );
    }
    text = await readFile(path, 'utf8');
  } catch (error) {
    if (error instanceof UsageError) throw error;
    const { code } = error as NodeJS.ErrnoException;
    const reason =
      code === 'ENOENT'
        ? 'there is no such file'
        : code === 'EISDIR'
          ? 'it is a folder'
          : `it cannot be read (${code})`;
    throw new UsageError(`${path}: expected a mission file, but ${reason}`);
  }
  return parseMission(text, path, options);
}
