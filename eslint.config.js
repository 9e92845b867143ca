import tseslint from 'typescript-eslint'

/** Folders that may touch the world: clocks, timers, randomness, the process and node's I/O. */
const worldly = ['agent/hardware/**', 'agent/cli/**']

const worldGlobals = ['setTimeout', 'setInterval', 'setImmediate', 'process', 'Date', 'performance', 'fetch']

export default tseslint.config(
  { ignores: ['dist/**', 'node_modules/**'] },
  ...tseslint.configs.recommended,
  {
    files: ['agent/**/*.ts', 'test/**/*.ts'],
    languageOptions: { parserOptions: { projectService: true, tsconfigRootDir: import.meta.dirname } },
    rules: {
      '@typescript-eslint/no-floating-promises': 'error',
      '@typescript-eslint/no-misused-promises': 'error',
      '@typescript-eslint/consistent-type-imports': 'error',
      eqeqeq: ['error', 'always'],
    },
  },
  {
    files: ['agent/**/*.ts'],
    ignores: worldly,
    rules: {
      'no-restricted-globals': [
        'error',
        ...worldGlobals
          .filter((name) => name !== 'Date')
          .map((name) => ({ name, message: 'only hardware/ and cli/ touch the world; take a port instead' })),
      ],
      'no-restricted-syntax': [
        'error',
        {
          selector: "CallExpression[callee.object.name='Date'][callee.property.name='now']",
          message: 'the time comes from the Clock port',
        },
        {
          selector: "NewExpression[callee.name='Date'][arguments.length=0]",
          message: 'the time comes from the Clock port',
        },
        {
          selector: "MemberExpression[object.name='Math'][property.name='random']",
          message: 'randomness comes from a port or a printed seed',
        },
      ],
    },
  },
)
