import type { Document, Table } from '../papers';
import { Tick, Warn } from './icons';

/** A report as the program writes it as PDF: the same words, tables and pictures. */
export function Report({ d }: { d: Document }) {
  return (
    <article class="report" aria-label={`${d.title}: ${d.subtitle ?? ''}`}>
      {d.banner && <p class="banner"><Warn />{d.banner}</p>}
      {d.answers.map(a => (
        <section class={`panel answer ${a.tone}`} key={a.word + a.sentence}>
          <h3>{a.tone === 'bad' ? <Warn /> : a.tone === 'good' ? <Tick /> : null}{a.word}</h3>
          <p>{a.sentence}</p>
        </section>
      ))}
      <dl class="panel about">{d.facts.map(f => <div key={f.name}><dt>{f.name}</dt><dd>{f.value}</dd></div>)}</dl>
      {d.sections.map(s => (
        <section class="panel" key={s.title}>
          <h3>{s.title}</h3>
          <div class="blocks">
            {s.blocks.map((b, i) => b.figure ? (
              <figure key={i} class="drawing">
                <img src={`data:image/svg+xml;charset=utf-8,${encodeURIComponent(b.figure.svg)}`} alt={`${b.figure.alt}. ${b.figure.caption}`} width={b.figure.width} height={b.figure.height} />
                <figcaption>{b.figure.caption}</figcaption>
              </figure>
            ) : b.table ? <Rows key={i} t={b.table} name={s.blocks.length > 1 ? `${s.title}, part ${i + 1}` : s.title} /> : <p key={i} class="wideblock">{b.text}</p>)}
          </div>
        </section>
      ))}
      <section class="panel cautions" aria-label="Cautions">
        <h3>Cautions</h3>
        <ul>{d.cautions.map(c => <li key={c}>{c}</li>)}</ul>
      </section>
    </article>
  );
}

function Rows({ t, name }: { t: Table; name: string }) {
  return (
    <div class="wideblock">
      <div class="scroll" tabIndex={0} role="region" aria-label={`Table: ${name}`}>
        <table>
          <thead><tr>{t.columns.map((c, i) => c.title === '' ? <td key={i} /> : <th key={i} scope="col" class={c.right ? 'r' : undefined}>{c.title}</th>)}</tr></thead>
          <tbody>
            {t.rows.map((r, i) => (
              <tr key={i} class={r.dim ? 'soft' : r.bold ? 'strong' : undefined}>
                {r.cells.map((c, k) => <td key={k} class={t.columns[k]?.right ? 'r num' : undefined}>{c}</td>)}
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      {t.note && <p class="soft note">{t.note}</p>}
    </div>
  );
}
