// The programs of the pages: the views of src/web/views in one file, as the build bundled it. It stands beside the compiled code, and the
// sources use the same.
import { readFileSync } from 'node:fs';

const bundles = new URL('../../dist/web/', import.meta.url);

/**
 * JavaScript, a module, for a script element.
 *
 * @param name of the page on disk, or of the one that is fed
 * @throws Error where the build was not run
 */
export function pageProgram(name: 'report-page' | 'live-page'): string {
  const bundle = new URL(`${name}.js`, bundles);
  let program: string;
  try {
    program = readFileSync(bundle, 'utf8');
  } catch {
    throw new Error(`${bundle.pathname}: the page's program is not there; \`npm run build\` makes it`);
  }
  // Either would end the element, or begin what hides its end (HTML standard, restrictions for contents of script elements).
  if (/<\/script|<!--|<script/i.test(program)) throw new Error("the page's program cannot stand in a page");
  return program;
}
