// Prints the bill of materials (CycloneDX) of what runs at a station. 'npm sbom --omit dev' leaves out a package that a tool
// for development may use as well, so the whole list is made and held against the lock file.
import { execFileSync } from 'node:child_process'
import { readFileSync } from 'node:fs'

const { packages } = JSON.parse(readFileSync('package-lock.json', 'utf8'))
const shipped = new Set(
  Object.entries(packages)
    .filter(([path, { dev, devOptional }]) => path !== '' && !dev && !devOptional)
    .map(([path, { name, version }]) => `${name ?? path.split('node_modules/').pop()}@${version}`),
)
const all = JSON.parse(
  execFileSync('npm', ['sbom', '--sbom-format', 'cyclonedx'], { encoding: 'utf8', maxBuffer: 1e8 }),
)
const own = all.metadata.component['bom-ref']
const components = all.components.filter((one) => shipped.has(one['bom-ref']))
const dependencies = all.dependencies
  .filter(({ ref }) => ref === own || shipped.has(ref))
  .map(({ ref, dependsOn }) => ({ ref, dependsOn: dependsOn.filter((one) => shipped.has(one)) }))
process.stdout.write(JSON.stringify({ ...all, components, dependencies }, undefined, 2) + '\n')
